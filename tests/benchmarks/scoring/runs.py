"""Plays many cases in worker processes; what is done is on disk at once, so that an interrupted run goes on."""

import hashlib
import os
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.benchmarks.evaluation.case import CaseRecipe
from tests.benchmarks.scoring.play import play
from tests.benchmarks.scoring.records import Played, append, arrays_path, read_played

__all__ = ["Progress", "code_of", "run"]

ROOT = Path(__file__).resolve().parents[3]
_HERE = "tests/benchmarks/scoring"
SOURCES = (
    *("agent", "detectors", "tests/benchmarks/evaluation"),
    *(f"{_HERE}/{name}.py" for name in ("play", "raw_days", "fixed", "records")),
)
Says = Callable[[str], None]


def code_of(root: Path = ROOT) -> str:
    """A digest of everything that a case's outcome depends on: a record of other sources is not counted."""
    digest = hashlib.blake2b(digest_size=6)
    for source in SOURCES:
        top = root / source
        for path in sorted(top.rglob("*")) if top.is_dir() else [top]:
            if path.suffix in (".py", ".toml", ".json") and path.is_file():
                digest.update(str(path.relative_to(root)).encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()


@dataclass(slots=True)
class Progress:
    """How far, and how long still."""

    total: int
    done: int = 0
    began_s: float = 0.0
    first: int = 0  # done before this run

    def line(self) -> str:
        """For a person who waits."""
        took_s = time.monotonic() - self.began_s
        each_s = took_s / max(1, self.done - self.first)
        return (
            f"{self.done}/{self.total} cases, {took_s / 60:.1f} min, {each_s * (self.total - self.done) / 60:.1f} left"
        )


def run(
    recipes: Sequence[CaseRecipe], folder: Path, *, jobs: int = 2, minutes: float | None = None, says: Says = print
) -> list[Played]:
    """Play what is not there yet; returns all that is there of these recipes, in their order."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "arrays").mkdir(exist_ok=True)
    lines, code = folder / "cases.jsonl", code_of()
    have = {one.key: one for one in read_played(lines, code)}
    wanted = [recipe for recipe in recipes if _key(recipe) not in have]
    progress = Progress(len(recipes), len(recipes) - len(wanted), time.monotonic(), len(recipes) - len(wanted))
    if wanted and have:
        says(f"{progress.first} of {progress.total} cases were played before")
    stop_s = np.inf if minutes is None else time.monotonic() + 60.0 * minutes
    for played in _play_all(wanted, folder, jobs, stop_s):
        played.code = code
        append(lines, played)
        have[played.key] = played
        progress.done += 1
        said = f"  {played.name}: {played.trouble}" if played.trouble else ""
        if said or progress.done % 10 == 0 or progress.done == progress.total:
            says(progress.line() + said)
    return [have[_key(recipe)] for recipe in recipes if _key(recipe) in have]


def _key(recipe: CaseRecipe) -> tuple[int, int, float]:
    return recipe.seed, recipe.number, recipe.days


def _play_all(wanted: Sequence[CaseRecipe], folder: Path, jobs: int, stop_s: float) -> Iterable[Played]:
    if jobs <= 1:
        for recipe in wanted:
            if time.monotonic() > stop_s:
                return
            yield play_recipe(recipe, folder)
        return
    waiting = list(reversed(wanted))
    # spawn: no thread or lock of the parent comes along; a worker is renewed now and then, so that nothing piles up.
    context = get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, max_tasks_per_child=50) as pool:
        going: set[Future[Played]] = set()
        while waiting or going:
            while waiting and len(going) < 2 * jobs and time.monotonic() < stop_s:
                going.add(pool.submit(play_recipe, waiting.pop(), folder))
            if not going:
                return
            done, going = wait(going, return_when=FIRST_COMPLETED)
            for one in done:
                yield one.result()


def play_recipe(recipe: CaseRecipe, folder: Path) -> Played:
    """Make and play one case in this process, and keep its arrays."""
    began = time.process_time()
    try:
        case = recipe.make()
        setup_s = time.process_time() - began
        played, arrays = play(case)
    except Exception as error:  # noqa: BLE001 - one case that fails must not end an hour's run: it is counted and told
        return Played(
            seed=recipe.seed,
            number=recipe.number,
            days=recipe.days,
            code="",
            probe="",
            probes=(),
            from_s=0.0,
            to_s=0.0,
            trouble=f"{type(error).__name__}: {error}",
        )
    played.days = recipe.days
    played.made_cpu_s += setup_s
    path = arrays_path(folder, played.key)
    unfinished = path.with_suffix(f".{os.getpid()}.tmp.npz")
    with unfinished.open("wb") as file:
        np.savez_compressed(file, **arrays)
    unfinished.replace(path)
    return played
