"""Coverage-guided fuzzing of one parser of outside bytes, for as long as wished.

    python tests/bench/fuzz.py settings --seconds 300
    python tests/bench/fuzz.py all --seconds 300 --learn      # and keep small inputs that reached new code

Needs the extra `proof` (atheris, tried with CPython 3.11 on Linux). Starts from `tests/corpora/TARGET`; an input that
fails is written to `--out` and stays there: mend the defect and put the input into the corpus. The suite runs every
file of every corpus through its parser.
"""

import argparse
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
CORPORA = TESTS / "corpora"
NAMES = ("link", "replay", "sentences", "modbus-tcp", "modbus-rtu", "do", "received", "shore", "settings", "control",
         "page", "photo", "pressures", "store")  # fmt: skip
LENGTH_MAX = {"link": 4_096, "replay": 4_096, "settings": 4_096, "pressures": 2_048}
KEEP_BYTES = 8_000
"""A corpus is no larger: the largest inputs are left out first."""
KEEP_FILES = 60


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", choices=[*NAMES, "all"])
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--out", type=Path, default=Path("fuzz-out"), help="found inputs and failures")
    parser.add_argument("--learn", action="store_true", help="renew the corpus from what was found")
    parser.add_argument("--inside", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.inside is not None:
        return _fuzz(args.target, args.inside)
    failed = [name for name in (NAMES if args.target == "all" else [args.target]) if not _run(name, args)]
    return 1 if failed else 0


def _fuzz(target: str, words: list[str]) -> int:
    """In the child: libFuzzer ends the process itself."""
    import atheris

    sys.path[:0] = [str(TESTS), str(TESTS.parent)]
    with atheris.instrument_imports(include=["gateway", "tomllib"]):
        import outside_bytes
    atheris.Setup([sys.argv[0], *words], outside_bytes.TARGETS[target])
    atheris.Fuzz()
    return 0


def _run(name: str, args: argparse.Namespace) -> bool:
    found = args.out / name
    found.mkdir(parents=True, exist_ok=True)
    (CORPORA / name).mkdir(parents=True, exist_ok=True)
    options = [f"-max_total_time={args.seconds}", f"-max_len={LENGTH_MAX.get(name, 1_024)}", "-timeout=20",
               "-rss_limit_mb=2000", f"-artifact_prefix={found}/failed-",
               f"-seed={random.randrange(1, 2**31)}"]  # fmt: skip
    done = _child(name, [*options, str(found), str(CORPORA / name)])
    counted = re.findall(r"^#(\d+).*? cov: (\d+) ft: (\d+) corp: (\d+)", done, re.MULTILINE)
    runs = re.findall(r"Done (\d+) runs in (\d+) second", done)
    if not counted:
        print(done[-2_000:])
        print(f"{name}: did not start; is atheris there (extra `proof`)?")
        return False
    _, covered, features, inputs = counted[-1]
    number = f"{int(runs[-1][0]):,} runs in {runs[-1][1]} s" if runs else "stopped by a failure"
    print(f"{name}: {number}, {covered} edges, {features} features, {inputs} inputs", flush=True)
    failures = sorted(found.glob("failed-*"))
    for failure in failures:
        print(f"  fails: {failure}")
    if failures:
        print("\n".join(done.splitlines()[-25:]))
    elif args.learn:
        _learn(name, found)
    return not failures


def _child(name: str, words: list[str]) -> str:
    command = ["nice", "-5", sys.executable, __file__, name, "--inside", *words]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace")
    return done.stdout + done.stderr


def _learn(name: str, found: Path) -> None:
    """Of what reached new code the smallest inputs, within the limits; those put there by hand stay."""
    corpus = CORPORA / name
    for old in [p for p in corpus.iterdir() if not p.name.startswith("by-hand")]:
        old.unlink()
    kept = {p.read_bytes() for p in corpus.iterdir()}
    total = 0
    inputs = [p for p in found.iterdir() if not p.name.startswith("failed")]
    for path in sorted(inputs, key=lambda p: p.stat().st_size)[:KEEP_FILES]:
        total += path.stat().st_size
        if total > KEEP_BYTES:
            break
        if path.read_bytes() not in kept:
            shutil.copy(path, corpus / path.name[:12])


if __name__ == "__main__":
    sys.exit(main())
