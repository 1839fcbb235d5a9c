"""What leaves the daemon: the log. It must never delay a tick."""
