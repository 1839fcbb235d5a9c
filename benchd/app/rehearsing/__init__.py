"""Plays the exact programme with the live code on a simulated bench, in virtual time. It never touches the real one."""
