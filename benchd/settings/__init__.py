"""TOML files to frozen, checked values, with one sentence for every mistake. It must never touch a device."""
