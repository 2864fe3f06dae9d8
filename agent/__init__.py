"""Flueward's service: everything that touches the world. The numerics live in `detectors`."""
