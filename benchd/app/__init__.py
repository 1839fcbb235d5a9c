"""Plugin discovery, wiring, lifecycle, command line: the one room that knows all others."""
