"""Which message makes the broker hang up, found without blocking the others.

A broker may answer a message that it does not want by cutting the connection, and a broker that restarts cuts it too.
So after a cut with several messages in flight these go one at a time; one that was alone in flight at a cut goes last
and alone; and it is condemned only after several cuts on connections that had just taken other messages. Where nothing
else gets through either, the broker is at fault and not the message; only after very many cuts is it condemned all the
same, so that what follows it has its chance.
"""

from collections.abc import Collection, Hashable
from dataclasses import dataclass, field

__all__ = ["Strikes", "Suspicion"]


@dataclass(slots=True)
class Strikes:
    """Cuts with this message alone in flight."""

    proven: int = 0  # on a connection that had taken others
    all: int = 0


@dataclass(slots=True)
class Suspicion:
    """Remembers over connections. Messages are known by any hashable identity."""

    proven_limit: int
    strikes: dict[Hashable, Strikes] = field(default_factory=dict)
    to_prove: set[Hashable] = field(default_factory=set)  # in flight together at a cut, not yet cleared

    def one_at_a_time(self) -> bool:
        """Some of those that were in flight at a cut are not cleared yet."""
        return bool(self.to_prove)

    def struck(self) -> Collection[Hashable]:
        """Those that go last and alone."""
        return self.strikes.keys()

    def cut(self, in_flight: Collection[Hashable], *, proven: bool, any_limit: int | None) -> Hashable | None:
        """The connection ended with these in flight. Returns the one that is condemned, if any.

        `proven`: the connection had taken another message before. `any_limit`: cuts that condemn without that, None
        for never.
        """
        if len(in_flight) > 1:
            self.to_prove.update(in_flight)
            return None
        for ident in in_flight:
            found = self.strikes.setdefault(ident, Strikes())
            found.all += 1
            found.proven += proven
            if found.proven >= self.proven_limit or (any_limit is not None and found.all >= any_limit):
                self.clear(ident)
                return ident
        return None

    def clear(self, ident: Hashable) -> None:
        """It was confirmed, set aside or is needed no more."""
        self.strikes.pop(ident, None)
        self.to_prove.discard(ident)
