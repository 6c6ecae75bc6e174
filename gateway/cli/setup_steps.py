"""What the two guided set-ups do alike: ask, do the steps in order, print what is left to do."""

from collections.abc import Callable, Iterable

from gateway.cli.text import out
from gateway.model.errors import Refused

INTRODUCTION = (
    "Enter takes what stands in brackets. Nothing is changed before the last answer.\n"
    "Stopped half-way, the same command begins with what was answered.\n"
)


def do(steps: Iterable[tuple[str, Callable[[], None]]]) -> None:
    """Each in turn, with its name. Raises Refused at the first that fails: the same command goes on from there."""
    for name, step in steps:
        try:
            step()
        except Refused as e:
            raise Refused(
                f"{name}: {e}\nPut it right and give the same command again; what is done stays done"
            ) from None
        out(f"done: {name}")


def left_to_do(lines: Iterable[str]) -> None:
    """A numbered list."""
    out("\nLeft to do:")
    for n, line in enumerate(lines, 1):
        out(f"  {n}. {line}")
