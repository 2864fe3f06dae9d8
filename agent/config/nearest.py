"""The known word that a misspelt one probably meant."""

from collections.abc import Iterable

__all__ = ["closest", "did_you_mean"]

_MOST = 2000  # candidates that are compared; a list beyond that is no help to anybody


def closest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like `word`, case and hyphens aside; None when none is like it."""
    from difflib import get_close_matches  # only on the way to an error

    folded = {_fold(candidate): candidate for candidate in sorted(known, reverse=True)[:_MOST]}
    if (same := folded.get(_fold(word))) is not None:
        return same
    close = get_close_matches(_fold(word)[:64], folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def did_you_mean(word: str, known: Iterable[str], *, few: int = 12) -> str:
    """`, did you mean 'x'?`, else the known words when they are few, else nothing: ready to be appended."""
    words = sorted(known)
    if (found := closest(word, words)) is not None:
        return f", did you mean {found!r}?"
    return f"; known here: {', '.join(words)}" if 0 < len(words) <= few else ""


def _fold(word: str) -> str:
    return word.lower().replace("-", "_").strip()
