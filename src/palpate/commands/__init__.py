"""The commands of the terminal; each is `HELP`, `add_arguments` and `run`."""
