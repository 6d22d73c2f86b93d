"""The shop server: receives events, folds them into records, shows them to the lead."""
