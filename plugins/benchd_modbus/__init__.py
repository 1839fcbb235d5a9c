"""A plugin of benchd."""
