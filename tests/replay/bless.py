"""Take what the replay cases say now for what they must say. Run it, then read the diff before it is committed.

`--record` makes the captures anew as well, from their scenarios; without it they stay as they are.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from replay_cases import CASES


def main() -> int:
    """Write what is expected of every case."""
    for case in CASES:
        if "--record" in sys.argv[1:]:
            case.record()
        for path, said in zip(case.expected, case.replay(), strict=True):
            changed = not path.exists() or path.read_bytes() != said
            path.write_bytes(said)
            sys.stdout.write(f"{'blessed  ' if changed else 'unchanged'} {path.parent.name}/{path.name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
