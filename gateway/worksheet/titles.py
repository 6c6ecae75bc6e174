"""The sheets by name, with their titles, in the order in which they are offered."""

TITLES = {
    "retighten": "Retighten the chain",
    "retime": "Re-time the camshaft",
    "compensate": "Compensate at the fuel pumps",
    "pressures": "Pressures of the cylinders",
    "links": "Measure links",
    "hand-play": "Hand play",
    "new-chain": "New chain",
}
