"""Outbox to broker."""
