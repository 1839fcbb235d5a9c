"""The set-up sheet: one page for whoever mounts a specimen, before anything is energised."""
