"""How hard the publisher tries."""

from dataclasses import dataclass, field

from agent.publish.retry import BackOff

__all__ = ["Pace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Limits and rests. The defaults are for plants; tests hurry."""

    window: int = 20  # messages in flight
    answer_s: float = 10.0  # for CONNACK
    ack_s: float = 20.0  # for PUBACK; then the connection is given up, since MQTT 5 forbids sending again on it
    quick: BackOff = field(default_factory=lambda: BackOff(1.0, 60.0))  # what passes by itself
    slow: BackOff = field(default_factory=lambda: BackOff(30.0, 300.0))  # what a person has to mend
    stable_s: float = 30.0  # a connection that lasted so long resets the rests
    proven_cuts: int = 4  # before a message that the broker hangs up on is set aside
    any_cuts: int = 30  # the same where nothing else proved the connection: about half an hour
    republish_pause_s: float = 60.0  # between two rounds of all retained topics
    refused_pause_s: float = 600.0  # before a refused status or condition is tried again
    flush_s: float = 5.0  # between two tries to write what is in memory only
    tick_s: float = 1.0
    drain_s: float = 1.0  # at an orderly stop: for what waits
    farewell_s: float = 0.7  # and for the last word
