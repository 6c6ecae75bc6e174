"""What is a photo and what is not, by its bytes alone."""

from hashlib import sha256

import pytest
from photos_rig import jpeg, png

from gateway.encode.photo import PHOTO_BYTES_MAX, SIDE_MAX, photo_name
from gateway.model.errors import Refused


@pytest.mark.parametrize(("data", "end"), [(png(), "png"), (jpeg(), "jpg"), (jpeg(SIDE_MAX, SIDE_MAX), "jpg")])
def test_a_photo_is_named_after_its_bytes(data: bytes, end: str) -> None:
    """Pins that the name is of the content and the kind is that of the bytes, whatever they were called."""
    assert photo_name(data) == f"{sha256(data).hexdigest()[:32]}.{end}"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "neither"),
        (b"GIF89a" + bytes(40), "neither"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>", "neither"),
        (b"\x89PNG\r\n\x1a\n", "neither"),
        (b"\xff\xd8\xff", "pixels"),
        (b"\xff\xd8" + b"\xff\xe0\x00\x00" * 1_000, "pixels"),
        (b"\xff\xd8" + b"\xff" * 1_000, "pixels"),
        (jpeg(0, 10), "pixels"),
        (jpeg(10, SIDE_MAX + 1), "pixels"),
        (png(60_000, 60_000), "pixels"),
        (jpeg(rest=bytes(PHOTO_BYTES_MAX)), "bytes"),
    ],
)
def test_what_is_no_photo_is_refused(data: bytes, why: str) -> None:
    """Pins that other kinds, cut files, images that unpack to a flood, and files too large do not pass."""
    with pytest.raises(Refused, match=why):
        photo_name(data)
