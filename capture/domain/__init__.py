"""Pure rules shared by bench and server: no clock, no disk, no network."""
