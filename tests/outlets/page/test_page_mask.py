"""Names of people, left out of what strangers see."""

from gateway.outlets.page.mask import HIDDEN, Mask


def test_names_are_left_out_and_nothing_else() -> None:
    """Pins that users' names go wherever they stand as words, and who acted too; figures and keys stay."""
    mask = Mask(["second", "a.b"])
    event = {
        "kind": "gateway",
        "by": "root (socket)",
        "text": "root (socket) and second; 3 s; a.b, xa.b",
        "seq": 7,
    }
    assert mask.event(event) == {
        "kind": "gateway",
        "by": HIDDEN,
        "text": f"{HIDDEN} and {HIDDEN}; 3 s; {HIDDEN}, xa.b",
        "seq": 7,
    }
    assert mask.event({"by": "", "text": None}) == {"by": "", "text": None}
    assert mask.away("root: known to second") == f"{HIDDEN}: known to {HIDDEN}"
