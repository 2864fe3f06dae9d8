"""From samples to what a probe is doing: signals, modes, episodes, trust."""
