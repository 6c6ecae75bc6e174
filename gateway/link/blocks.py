"""Sample frames that follow each other, gathered into one block of arrays."""

from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from gateway.link.continuity import tolerance
from gateway.model.records import SampleBlock


class OpenBlock:
    """Bodies of consecutive sample frames of one boot, interval and validity, until they are handed out.

    `bodies`, `heads_us`, `sizes`: one entry for each frame, appended to by the decoder's loop; never all one feed
    longer.
    """

    __slots__ = ("bodies", "boot", "heads_us", "interval_ns", "joined", "sizes", "tolerance_ns", "valid")

    def __init__(self) -> None:
        self.bodies: list[bytes] = []
        self.heads_us: list[int] = []
        self.sizes: list[int] = []
        self.boot = self.interval_ns = self.valid = self.tolerance_ns = 0
        self.joined = False

    def begin(self, boot: int, interval_ns: int, valid: int, joined: bool) -> None:
        """Start anew for frames of this kind; the block must be empty."""
        self.boot, self.interval_ns, self.valid, self.joined = boot, interval_ns, valid, joined
        self.tolerance_ns = tolerance(interval_ns)

    def add(self, body: bytes, head_us: int, n: int) -> None:
        """One more frame's samples: `body` is n × 3 × uint16."""
        self.bodies.append(body)
        self.heads_us.append(head_us)
        self.sizes.append(n)

    def take(self) -> SampleBlock:
        """Hand out what is gathered as fresh arrays that pin no input, and be empty."""
        table = np.frombuffer(b"".join(self.bodies), dtype="<u2").reshape(-1, 3)
        columns: NDArray[np.uint16] = np.ascontiguousarray(table.T, dtype=np.uint16)
        *starts, _ = accumulate(self.sizes, initial=0)
        block = SampleBlock(
            boot=self.boot,
            interval_ns=self.interval_ns,
            valid=self.valid,
            head_us=np.array(self.heads_us, dtype=np.int64),
            starts=np.array(starts, dtype=np.int64),
            crank=columns[0],
            cam=columns[1],
            loop=columns[2],
            joined=self.joined,
        )
        self.bodies.clear()
        self.heads_us.clear()
        self.sizes.clear()
        # What follows without a break joins, whatever was said between; otherwise it is begun anew.
        self.joined = True
        return block
