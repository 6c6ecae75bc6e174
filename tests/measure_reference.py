"""Revolutions worked out the slow way, in plain Python, from handbook sum 3; shares nothing with the code it checks."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise


@dataclass
class Turn:
    """One cycle. Lag in counts, spring in the unit given; `None` where a sample has no length."""

    end_us: Fraction
    duration_us: Fraction
    direction: int
    lag: Fraction
    lag_p2p: int
    spring: Fraction | None
    slap: int | None


def unwrap(codes: Sequence[int], first: int) -> list[int]:
    """Each neighbour less than half a turn away."""
    out = [first]
    for a, b in pairwise(codes):
        step = (b - a) % 65_536
        out.append(out[-1] + (step - 65_536 if step >= 32_768 else step))
    return out


def signed(code: int) -> int:
    """A binary angle between minus and plus half a turn."""
    return code - 65_536 if code >= 32_768 else code


def turns(
    crank16: Sequence[int],
    cam16: Sequence[int],
    spring: Sequence[int | None],
    us: Sequence[int],
    ratio: int,
    slow_us: float,
    cam_valid: bool = True,
) -> list[Turn]:
    """All whole cycles of a stream without a break, each between two neighbouring crossings in one direction.

    A four-stroke's cycle begins where the camshaft's own turn does, but for the lag. Where the first camshaft's angle
    is not valid the crank is taken to be in the first of its two turns.
    """
    lag16 = [(c - ratio * m) % 65_536 for c, m in zip(crank16, cam16, strict=True)]
    cycle = ratio * 65_536
    begins = [crank16[0] + k * 65_536 for k in range(ratio)]
    if cam_valid:
        begins = [c for c in begins if (c - signed(lag16[0]) - ratio * cam16[0]) % cycle == 0]
    crank, lag = unwrap(crank16, begins[0]), unwrap(lag16, signed(lag16[0]))
    crossings = []
    for i in range(len(crank) - 1):
        a, b = math.floor(crank[i] / cycle), math.floor(crank[i + 1] / cycle)
        if a != b:
            crossings.append((i, max(a, b) * cycle, b - a))
    out = []
    for (i, edge_i, way_i), (j, edge_j, way_j) in pairwise(crossings):
        if way_i == way_j and us[j] - us[i] <= slow_us:
            out.append(_turn(crank, lag, spring, us, (i, edge_i), (j, edge_j), way_i))
    return out


def _turn(crank, lag, spring, us, begin, end, way):  # type: ignore[no-untyped-def]
    """Trapezia over crank angle from the crossing in step `i` to the one in step `j`."""
    (i, edge_i), (j, edge_j) = begin, end

    def at(values, k, edge):  # type: ignore[no-untyped-def]
        return values[k] + (values[k + 1] - values[k]) * Fraction(edge - crank[k], crank[k + 1] - crank[k])

    def mean(values):  # type: ignore[no-untyped-def]
        points = [(edge_i, at(values, i, edge_i))]
        points += [(crank[k], values[k]) for k in range(i + 1, j + 1)]
        points += [(edge_j, at(values, j, edge_j))]
        area = sum(((y0 + y1) * Fraction(x1 - x0, 2) for (x0, y0), (x1, y1) in pairwise(points)))
        return Fraction(area) / (edge_j - edge_i)

    within = range(i + 1, j + 1)
    touched = [spring[k] for k in range(i, j + 2)]
    whole = all(s is not None for s in touched)
    t0, t1 = at(us, i, edge_i), at(us, j, edge_j)
    return Turn(
        end_us=t1,
        duration_us=t1 - t0,
        direction=way,
        lag=mean(lag),
        lag_p2p=max(lag[k] for k in within) - min(lag[k] for k in within),
        spring=mean(spring) if whole else None,
        slap=max(spring[k] for k in within) - min(spring[k] for k in within) if whole else None,
    )
