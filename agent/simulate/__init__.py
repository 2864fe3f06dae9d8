"""The invented plant for demo and training."""
