"""The bench controller daemon: see README.md for the job and DEVELOPERS.md for the house."""
