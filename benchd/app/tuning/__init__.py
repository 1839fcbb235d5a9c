"""The command `benchd tune`: small steps on the bench, what they say of each outer loop, and a tuning file."""
