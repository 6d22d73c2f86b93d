"""Words to meaning and back: one automaton drives the engines and gives the meaning."""
