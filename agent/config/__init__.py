"""Settings: TOML, environment and secret files into one checked model."""
