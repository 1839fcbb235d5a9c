"""The second process: owns the connection to the safety chain and watches the daemon. It is not a safety function."""
