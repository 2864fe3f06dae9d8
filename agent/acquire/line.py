"""One line: one connection, its units in turn, one request at a time, and who must rest."""

import math
import random
from collections.abc import Callable, Sequence
from typing import Any, Final

from agent.acquire.link import LinkNow, Log
from agent.acquire.poll import Poller, Refused
from agent.acquire.schedule import listen_rest_s, rest_s
from agent.acquire.slot import Slot
from agent.acquire.transport import LinkError, Wire
from agent.clock import Clock
from agent.counters import Counters
from agent.signals import Reason

__all__ = ["LISTEN_NOISE_MAX_BYTES", "LineRunner"]

SLICE_S: Final = 1.0  # the longest sleep: a burst that is asked for starts within it
CONNECT_COST_MIN_S: Final = 0.5  # a refused connection costs nothing; retrying at once would be rude
LISTEN_AGAIN_AFTER_S: Final = 60.0  # a line that was away as long may have got another master
LISTEN_NOISE_MAX_BYTES: Final = 16  # more than that in the listening time is traffic at another speed
TELL_AFTER_ATTEMPTS: Final = 2  # one lost answer is counted; two in a row are a state of the link
CAUGHT_UP_POLLS: Final = 20  # without a skipped slot, and a probe keeps up again


class LineRunner:
    """Polls one line until cancelled.

    Parameters
    ----------
    line : str
        Its id.
    wire : Wire
        Its connection, closed.
    slots : sequence of Slot
        What is polled on it; at least one.
    listen_s : float
        How long to listen before first speaking; 0 for lines with no shared medium. [s]
    back_off_max_s : float
        Longest rest. [s]
    """

    def __init__(
        self,
        line: str,
        wire: Wire,
        slots: Sequence[Slot],
        *,
        clock: Clock,
        rng: random.Random,
        counters: Counters,
        log: Log,
        listen_s: float,
        back_off_max_s: float,
    ) -> None:
        self._line, self._wire, self._slots = line, wire, list(slots)
        self._clock, self._rng, self._counters, self._log = clock, rng, counters, log
        self._listen_s = listen_s if wire.shared_medium else 0.0
        self._back_off_max_s = back_off_max_s
        self.link = LinkNow(line)
        self.pollers = tuple(slot.poller for slot in self._slots)
        self.units = {slot.link.unit: slot.link for slot in self._slots}
        self._up = False  # open, and allowed to speak
        self._attend_at_s = 0.0  # when to connect, or to judge what was heard
        self._listening = False
        self._must_listen = self._listen_s > 0
        self._down_since_s = 0.0
        self._refusals = 0

    async def run(self) -> None:
        """Poll until cancelled; the connection is closed on the way out, whatever happened."""
        clock = self._clock
        slots = self._slots
        only = slots[0] if len(slots) == 1 else None
        self._up, self._listening, self._attend_at_s = False, False, clock.monotonic()
        for waiting in slots:
            if waiting.due_s < self._attend_at_s:
                waiting.advance(self._attend_at_s)  # what was due before the start was not missed
        try:
            while True:
                slot = only if only is not None else min(slots, key=_due)
                now_s = clock.monotonic()
                wake_s = slot.due_s if slot.due_s <= self._attend_at_s else self._attend_at_s
                if wake_s > now_s:
                    await clock.sleep_until(wake_s if wake_s - now_s <= SLICE_S else now_s + SLICE_S)
                    continue
                if self._attend_at_s <= now_s:
                    await self._attend(now_s)
                    continue
                asked = await self._serve(slot, now_s)
                skipped = slot.advance(clock.monotonic())
                if asked and (skipped or slot.behind):
                    self._keep_count(slot, skipped)
        finally:
            self._wire.close()

    def _keep_count(self, slot: Slot, skipped: int) -> None:
        probe = slot.poller.probe
        if not skipped:
            slot.behind = max(0, slot.behind - 1)
            if not slot.behind:
                self._log.info("cycles_kept_again", probe=probe, line=self._line)
            return
        self._counters.count("cycle_missed", probe, skipped)
        if not slot.behind:
            self._log.warning(
                "cycle_missed",
                probe=probe,
                line=self._line,
                skipped=skipped,
                period_s=slot.period_s,
                advice="the line is too slow for this period, or a silent unit holds it up: lengthen period_s",
            )
        slot.behind = CAUGHT_UP_POLLS

    # --- the line as a whole ---

    async def _attend(self, now_s: float) -> None:
        """Connect, start to listen, or judge what was heard."""
        self._attend_at_s = math.inf
        if self._listening:
            self._judge_what_was_heard(now_s)
            return
        try:
            await self._wire.open()
        except LinkError as error:
            self._connect_failed(error)
            return
        if self._must_listen or (self._listen_s and now_s - self._down_since_s > LISTEN_AGAIN_AFTER_S):
            self._wire.overheard(final=True)  # what waited in a buffer is no traffic of now
            self._listening = True
            self._attend_at_s = self._clock.monotonic() + self._listen_s
            return
        self._up = True
        self._set_link(self.link, None, "")

    def _judge_what_was_heard(self, now_s: float) -> None:
        self._listening = False
        heard = self._wire.overheard(final=True)
        if not self._wire.is_open:
            self._connect_failed(LinkError(Reason.CONNECT, "the port or connection closed while listening"))
        elif heard.foreign or heard.noise_bytes > LISTEN_NOISE_MAX_BYTES:
            said = (
                f"{len(heard.foreign)} frames, first {heard.foreign[0]}" if heard.foreign else "bytes without a frame"
            )
            self._refuse_line(now_s, f"{said}; heard for {self._listen_s:g} s before speaking")
        else:
            self._must_listen = False
            self._refusals = 0
            self._up = True
            self._set_link(self.link, None, "")

    def _connect_failed(self, error: LinkError) -> None:
        """The whole line rests. Nobody else could use it meanwhile, so `back_off_max_s` holds as it is."""
        now_s = self._clock.monotonic()
        if self._up or not self.link.attempts:
            self._down_since_s = now_s
        self._up = False
        self._wire.close()
        self.link.attempts += 1
        self._counters.count("read_connect", self._line)
        self._attend_at_s = now_s + rest_s(
            self.link.attempts,
            cost_s=CONNECT_COST_MIN_S,
            back_off_max_s=self._back_off_max_s,
            others_wait=False,
            jitter=self._rng.random(),
        )
        self._set_link(self.link, Reason.CONNECT, error.detail)

    def _refuse_line(self, now_s: float, said: str) -> None:
        """A serial line has one master, and it is not us: close the port, so that its master is not disturbed."""
        self._up, self._must_listen = False, True
        self._wire.close()
        self._refusals += 1
        rest = listen_rest_s(self._refusals, self._rng.random())
        self._attend_at_s = now_s + rest
        self._counters.count("foreign_master", self._line)
        self._set_link(
            self.link,
            Reason.FOREIGN_MASTER,
            f"somebody else speaks on this line, so it is not polled ({said}); listening again in {rest:.0f} s",
        )

    def _look_at_stray(self, now_s: float) -> None:
        heard = self._wire.overheard()
        for event, count in (
            ("late_answer", heard.late),
            ("duplicate_answer", heard.duplicates),
            ("line_noise" if self._wire.shared_medium else "unexpected_data", heard.noise_bytes),
        ):
            if count and self._counters.count(event, self._line, count) == count:
                self._log.warning(event, line=self._line, count=count)  # the first time; the counter has the rest
        if heard.foreign and self._wire.shared_medium:
            self._refuse_line(now_s, f"between our polls: {heard.foreign[0]}")

    # --- one unit ---

    async def _serve(self, slot: Slot, now_s: float) -> bool:
        """Poll, or emit why not. True where the unit answered."""
        if self._up and self._wire.stray:
            self._look_at_stray(now_s)
        poller, link = slot.poller, slot.link
        if not self._up:
            if self.link.reason is not None:
                poller.missing(Reason.FOREIGN_MASTER if self.link.reason is Reason.FOREIGN_MASTER else Reason.BACK_OFF)
            return False
        if link.retry_at_s > now_s:
            poller.missing(Reason.BACK_OFF)
            return False
        error = await poller.poll(self._wire, now_s)
        if error is None:
            self._answered(link)
            return True
        return self._after_failure(poller, link, error)

    def _after_failure(self, poller: Poller, link: LinkNow, error: LinkError) -> bool:
        place = f"{self._line}/{link.unit}"
        event = f"exception_{error.code:02x}" if error.code else f"read_{error.reason.value}"
        if self._counters.count(event, place) == 1 and poller.answered and not poller.refused:
            self._log.warning(event, probe=poller.probe, line=self._line, unit=link.unit, detail=error.detail)
        for refused in poller.refused:
            self._tell_refused(poller, refused)
        if error.reason is Reason.CONNECT:
            self._connect_failed(error)
            return False
        if poller.answered:
            self._answered(link)
            return True
        link.attempts += 1
        link.retry_at_s = self._clock.monotonic() + self.rest(link.attempts)
        if link.attempts >= TELL_AFTER_ATTEMPTS:
            self._set_link(link, error.reason, error.detail)
        return False

    def _answered(self, link: LinkNow) -> None:
        if link.attempts:
            link.attempts, link.retry_at_s = 0, 0.0
            if link.reason is not None:
                self._set_link(link, None, "")
        if self.link.attempts:
            self.link.attempts = 0

    def _tell_refused(self, poller: Poller, refused: Refused) -> None:
        block = refused.block
        event = "map_refused" if refused.error.code else "block_silent"
        self._counters.count(event, poller.probe)
        self._log.warning(
            event,
            probe=poller.probe,
            line=self._line,
            unit=poller.unit,
            table=block.table,
            addresses=f"{block.address}..{block.end - 1}",
            signals=", ".join(refused.names),
            detail=refused.error.detail,
            advice="the map is likely wrong for this transmitter: check table, address and type",
        )

    def rest(self, attempts: int) -> float:
        """The rest of a unit after so many failures, jitter drawn. [s]"""
        return rest_s(
            attempts,
            cost_s=self._wire.read_cost_s,
            back_off_max_s=self._back_off_max_s,
            others_wait=len(self.units) > 1,
            jitter=self._rng.random(),
        )

    def _set_link(self, link: LinkNow, reason: Reason | None, detail: str) -> None:
        """Note how a line or unit is; log the change, not every tick."""
        old, link.detail = link.reason, detail
        if reason is old and link.since_s is not None:
            return
        first, link.since_s = link.since_s is None, self._clock.utc()
        link.reason = reason
        if first and reason is None:
            return
        tell: Callable[..., Any] = self._log.info if reason is None else self._log.warning
        tell(
            "link_changed",
            line=link.line,
            unit=link.unit,
            old=old.value if old is not None else "ok",
            new=reason.value if reason is not None else "ok",
            detail=detail,
        )


def _due(slot: Slot) -> float:
    return slot.due_s
