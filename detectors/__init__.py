"""Pure numerics: arrays in, findings and state out. No I/O, no clock, no logging, nothing from `agent`."""
