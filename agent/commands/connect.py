"""`flueward validate --connect`: every transmitter and feed read once, and what the numbers say of the map."""

from dataclasses import dataclass
from typing import Any

from agent.acquire.once import Look
from agent.clock import Clock
from agent.commands.conventions import judge_numbers
from agent.commands.looks import Looker, polled
from agent.commands.nernst_fit import judge_nernst, judge_thermocouple
from agent.commands.table import look_json, look_lines
from agent.commands.verdict import Fit, Verdict
from agent.commands.wide import joined, paragraph, row
from agent.config.model import Probe, Settings

__all__ = ["Connected", "connect"]

_WORDS = {Fit.FITS: "fits", Fit.DOES_NOT_FIT: "DOES NOT FIT", Fit.CANNOT_TELL: "cannot tell"}


@dataclass(frozen=True, slots=True)
class Connected:
    """One look at everything, and the verdicts by probe or feed."""

    settings: Settings
    looks: dict[str, Look]
    verdicts: dict[str, list[Verdict]]

    @property
    def silent(self) -> list[str]:
        """Who did not answer."""
        return [name for name, look in self.looks.items() if not _answered(look)]

    @property
    def misfits(self) -> list[str]:
        """Whose map does not fit."""
        return [name for name, found in self.verdicts.items() if any(one.fit is Fit.DOES_NOT_FIT for one in found)]

    @property
    def good(self) -> bool:
        """Everybody answered, and nothing does not fit."""
        return not self.silent and not self.misfits

    @property
    def verdict(self) -> str:
        """The end of it in one sentence."""
        silent, misfits = self.silent, self.misfits
        said = [f"{joined(silent)} did not answer"] if silent else []
        said += [f"{joined(misfits)} {'does' if len(misfits) == 1 else 'do'} not fit"] if misfits else []
        if not said:
            said = [f"all {len(self.looks)} answered, and nothing speaks against the maps"]
        return f"{'; '.join(said)}. Nothing was changed: what fits better is yours to write."

    def lines(self) -> list[str]:
        """Tables and verdicts as text."""
        lines: list[str] = []
        for name, look in self.looks.items():
            at = polled(self.settings, name)
            called = (
                f" {at.name},"
                if isinstance(at, Probe) and at.name
                else " a feed,"
                if name in self.settings.feeds
                else ""
            )
            lines += ["", *paragraph(f"{name}:{called} line {at.line}, unit {at.unit}, map {at.map}")]
            lines += look_lines(look, self.settings.maps[at.map])
            for one in self.verdicts[name]:
                lines += row(_WORDS[one.fit], f"{one.about}: {one.text}", width=12)
        return [*lines, ""]

    def as_json(self) -> dict[str, Any]:
        """By probe or feed: see `validate`."""
        return {
            name: {
                **look_json(look, self.settings.maps[polled(self.settings, name).map]),
                "fits": [
                    {"about": one.about, "verdict": one.fit.value, "text": one.text} for one in self.verdicts[name]
                ],
            }
            for name, look in self.looks.items()
        }


async def connect(settings: Settings, clock: Clock) -> Connected:
    """Read every probe and feed once and judge what came."""
    looks = await Looker(settings, clock).look([*settings.probes, *settings.feeds])
    verdicts: dict[str, list[Verdict]] = {}
    for name, look in looks.items():
        verdicts[name] = []
        if not _answered(look):
            continue
        at = polled(settings, name)
        register_map = settings.maps[at.map]
        fed: dict[str, float] = {}
        for feed in at.feeds if isinstance(at, Probe) else ():
            fed.update(looks[feed].sample.values)
        judged = judge_numbers(look, register_map, fed)
        found = judge_nernst(register_map, judged.values, judged.odd) + judge_thermocouple(register_map, judged.values)
        verdicts[name] = judged.verdicts + found
    return Connected(settings, looks, verdicts)


def _answered(look: Look) -> bool:
    return any(signal.raw for signal in look.signals.values())
