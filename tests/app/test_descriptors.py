"""The reserve of file descriptors: given out when there are none left, and taken back when there are some again."""

import json
import subprocess
import sys

TRIAL = """
import json, os, resource
from gateway.app.descriptors import DescriptorReserve

resource.setrlimit(resource.RLIMIT_NOFILE, (128, 128))
reserve = DescriptorReserve(16)
reserve.look()
seen = [reserve.exhausted]
hogs = []
try:
    while True:
        hogs.append(os.open(os.devnull, os.O_RDONLY))
except OSError:
    pass
reserve.look()
seen.append(reserve.exhausted)
# What head, store, brokers and panel need to come back.
opened = [os.open(os.devnull, os.O_RDONLY) for _ in range(16)]
reserve.look()
seen.append(reserve.exhausted)
for fd in hogs:
    os.close(fd)
reserve.look()
seen.append(reserve.exhausted)
held = len(os.listdir("/proc/self/fd"))
reserve.close()
print(json.dumps({"seen": seen, "opened": len(opened), "given back": held - len(os.listdir("/proc/self/fd"))}))
"""


def test_the_reserve_is_there_for_those_who_must_come_back() -> None:
    """With every descriptor of the process used up the reserve can be opened by others within a second."""
    done = subprocess.run([sys.executable, "-c", TRIAL], capture_output=True, text=True, check=True)
    found = json.loads(done.stdout.splitlines()[-1])
    assert found == {"seen": [False, True, True, False], "opened": 16, "given back": 16}
    assert done.stdout.count("descriptors.exhausted") + done.stderr.count("descriptors.exhausted") == 1
