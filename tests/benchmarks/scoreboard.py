"""How good the detectors are, over many invented plants that they have never seen; run by hand.

    python tests/benchmarks/scoreboard.py --seeds 1-5 --healthy 40 --faulty 60 --days 365
    python tests/benchmarks/scoreboard.py --seeds 3 --explain 3:100007
    python tests/benchmarks/scoreboard.py --seeds 1-5 ... --tune      thresholds of the comparators, tuning seeds

Each case goes through the same pipeline as live, with default settings. Beside it on the same rows: fixed thresholds,
general-purpose change detectors, and an oracle as the bound. Seeds below 1000 are for tuning; what is told of quality
comes from seeds that nobody looked at before. A run that was stopped goes on where it was, as long as the sources are
the same. Healthy and faulty are cases a seed.
"""

import argparse
import json
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.benchmarks.evaluation.case import CaseRecipe, recipes  # noqa: E402
from tests.benchmarks.scoring.explain import explain  # noqa: E402
from tests.benchmarks.scoring.judge import Score, judge  # noqa: E402
from tests.benchmarks.scoring.oracle import Bound, bound_of  # noqa: E402
from tests.benchmarks.scoring.peers import TUNED, peer_scores, read_tuned, tune  # noqa: E402
from tests.benchmarks.scoring.records import Played, load_arrays  # noqa: E402
from tests.benchmarks.scoring.runs import code_of, run  # noqa: E402
from tests.benchmarks.scoring.table import Result, cpu_per_year, fault_key, markdown, plain  # noqa: E402

FIRST_FINAL_SEED = 1000


def main(argv: list[str] | None = None) -> int:
    """The command."""
    args = _parser().parse_args(argv)
    seeds = _seeds(args.seeds)
    folder = args.to
    if args.explain:
        return _explain(args.explain, folder, args.days)
    if args.tune and max(seeds) >= FIRST_FINAL_SEED:
        print(f"--tune wants tuning seeds, below {FIRST_FINAL_SEED}", file=sys.stderr)
        return 2
    began = time.monotonic()
    wanted = _wanted(seeds, args.healthy, args.faulty, args.days)
    cases = run(
        wanted, folder, jobs=args.jobs, minutes=args.minutes, says=lambda text: print(text, file=sys.stderr, flush=True)
    )
    broken = [one for one in cases if one.trouble]
    cases = [one for one in cases if not one.trouble]
    if not cases:
        print("nothing was played", file=sys.stderr)
        return 1
    score = judge((one, one.raised) for one in cases)
    if args.tune:
        rate = max(len(score.false_healthy) / max(score.healthy_years, 1e-9), 0.1)
        found = tune(cases, folder, rate)
        told = {"seeds": args.seeds, "false_per_year": rate, "date": _today(), "thresholds": found}
        TUNED.write_text(json.dumps(told, indent=1) + "\n")
    tuned = read_tuned()
    result: Result = (score, peer_scores(cases, folder, tuned), _bounds(score, cases, folder), cases)
    if args.json:
        data = {"date": _today(), "commit": _commit(), "code": code_of(), "seeds": seeds, "broken": len(broken)}
        print(json.dumps(data | plain(result), indent=1, default=str))
    else:
        print(markdown(_head(args, cases, score, len(wanted), broken), result))
    print(f"{(time.monotonic() - began) / 60:.1f} min", file=sys.stderr)
    return 0 if len(cases) == len(wanted) else 1


def _wanted(seeds: list[int], healthy: int, faulty: int, days: float) -> list[CaseRecipe]:
    """Seeds in turn, one case of each at a time: a run that is cut short is still even over seeds and kinds."""
    by_seed = [list(recipes(seed, healthy=healthy, faulty=faulty, days=days)) for seed in seeds]
    order: list[tuple[float, int, CaseRecipe]] = []
    for i, mine in enumerate(by_seed):
        sick = [one for one in mine if one.fault is not None]
        well = [one for one in mine if one.fault is None]
        for part in (sick, well):
            order += [((j + 0.5) / len(part), i, one) for j, one in enumerate(part)]
    return [one for _, _, one in sorted(order, key=lambda row: row[:2])]


def _bounds(score: Score, cases: list[Played], folder: Path) -> dict[str, Bound]:
    """The oracle on every fault, at Flueward's own rate of false alerts of that symptom."""
    years = max(score.years, 1e-9)
    out: dict[str, Bound] = {}
    for one in score.faults:
        rate = sum(raised.symptom == one.fault.kind for _, raised in score.false) / years
        bound = bound_of(one.played, one.fault, load_arrays(folder, one.played), rate)
        if bound is not None:
            out[fault_key(one)] = bound
    return out


def _head(args: argparse.Namespace, cases: list[Played], score: Score, wanted: int, broken: list[Played]) -> str:
    cpu = cpu_per_year(cases)
    lines = [
        f"{_today()}, commit {_commit()} (sources {code_of()}), seeds {args.seeds}, {len(cases)} of {wanted} cases of "
        f"{args.days:g} days: {score.healthy_years:.0f} healthy probe-years, {score.before_years:.0f} more before a "
        f"fault or beside one, {len(score.faults)} faults. CPU a probe-year: {cpu['flueward']:.1f} s Flueward, "
        f"{cpu['simulate']:.1f} s to simulate, {cpu['rows'] / 1e6:.2f} million rows. Intervals are 95 %.",
    ]
    lines += [f"Failed: {one.name}, {one.trouble}" for one in broken]
    return "\n\n".join(lines)


def _explain(name: str, folder: Path, days: float) -> int:
    seed, number = (int(part) for part in name.split(":"))
    # A kind is drawn with the number of faulty cases; look the record up rather than make it anew.
    from tests.benchmarks.scoring.records import read_played

    found = [one for one in read_played(folder / "cases.jsonl") if (one.seed, one.number) == (seed, number)]
    found = [one for one in found if one.days == days] or found
    if not found:
        print(f"case {name} has not been played into {folder}", file=sys.stderr)
        return 1
    print(explain(found[-1], load_arrays(folder, found[-1])))
    return 0


def _seeds(text: str) -> list[int]:
    out: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        out += range(int(first), int(last or first) + 1)
    return out


def _commit() -> str:
    git = ["git", "-C", str(ROOT)]
    done = subprocess.run([*git, "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    return done.stdout.strip() or "none"


def _today() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%d")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1-2", help="such as 1-5,9 (below 1000: for tuning)")
    parser.add_argument("--healthy", type=int, default=20, help="healthy cases a seed")
    parser.add_argument("--faulty", type=int, default=20, help="faulty cases a seed")
    parser.add_argument("--days", type=float, default=365.0, help="length of each record")
    parser.add_argument("--jobs", type=int, default=2, help="worker processes")
    parser.add_argument("--minutes", type=float, default=None, help="begin no further case after so long")
    parser.add_argument("--to", type=Path, default=Path("/tmp/flueward-scoreboard"), help="where played cases are kept")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    parser.add_argument("--tune", action="store_true", help="find and keep the comparators' thresholds")
    parser.add_argument("--explain", metavar="SEED:NUMBER", help="one played case in words")
    return parser


if __name__ == "__main__":
    sys.exit(main())
