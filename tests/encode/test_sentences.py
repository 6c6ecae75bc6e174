"""Sentences: bounds, escapes, states, and parsers that nothing upsets."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from panel_boards import alarm

from gateway.encode.sentence_lines import (
    LINE_CHARS_MAX,
    LineSplitter,
    Sentence,
    SentenceError,
    checksum,
    compose,
    datagram,
    escape,
    lines_of,
    parse,
    unescape,
)
from gateway.encode.sentences import alc, alf, alr, clock_time, read_ack, read_acn, state_letter
from gateway.model.enums import AlarmState, Priority

S = AlarmState


def line(body: str) -> bytes:
    return f"${body}*{checksum(body.encode('latin-1'))}\r\n".encode("latin-1")


@given(st.text(max_size=40), st.text(max_size=200), st.integers(1, 999_999), st.integers(1, 99))
def test_any_text_fits_and_comes_back(title: str, text: str, instance: int, revision: int) -> None:
    """Pins that no text makes a line too long or unreadable, and that what came through is its beginning."""
    shown = alarm(20, title=title, text=text, instance=instance)
    lines = alf(shown, "V", revision, "ABC", 9)
    assert len(lines) == (2 if text else 1)
    for sent, wanted in zip(lines, (title[:16], text), strict=False):
        assert len(sent) <= LINE_CHARS_MAX
        got = parse(sent.encode("ascii"))
        assert len(got.fields) == 13
        if wanted.isascii():
            assert wanted.startswith(got.fields[12])


def test_a_plain_title_of_16_characters_is_never_cut() -> None:
    """Pins that the longest head leaves room for a whole title."""
    shown = alarm(20, title="ABCDEFGHIJKLMNOPQ", instance=999_999)
    assert parse(alf(shown, "V", 99, "ABC", 9)[0].encode()).fields[12] == "ABCDEFGHIJKLMNOP"


def test_escapes() -> None:
    """Pins reserved characters, a sign of Latin-1, near spellings, and that no escape is cut in two."""
    assert escape("a,b*c$d!e\\f^g~h", 99) == "a^2Cb^2Ac^24d^21e^5Cf^5Eg^7Eh"
    assert escape("2.1° ≥ 2.0°\n", 99) == "2.1^B0 >= 2.0^B0^0A"
    assert escape("日", 9) == "?"
    assert escape("ab,", 4) == "ab"


@given(st.text(st.characters(max_codepoint=255), max_size=60))
def test_escape_comes_back(text: str) -> None:
    """Pins that unescape undoes escape for all of Latin-1."""
    sent = escape(text, 10_000)
    assert sent.isascii() and sent.isprintable()
    assert unescape(sent) == unicodedata.normalize("NFC", text)


@pytest.mark.parametrize(
    ("state", "priority", "silenced", "letter"),
    [
        (S.UNACKNOWLEDGED, Priority.ALARM, False, "V"),
        (S.UNACKNOWLEDGED, Priority.WARNING, True, "S"),
        (S.ACKNOWLEDGED, Priority.ALARM, True, "A"),
        (S.RETURNED, Priority.ALARM, True, "U"),
        (S.NORMAL, Priority.ALARM, False, "N"),
        (S.SUPPRESSED, Priority.ALARM, False, "N"),
        (S.OUT_OF_SERVICE, Priority.ALARM, False, "N"),
        (S.UNACKNOWLEDGED, Priority.CAUTION, True, "A"),
        (S.RETURNED, Priority.CAUTION, False, "N"),
    ],
)
def test_state_letters(state: AlarmState, priority: Priority, silenced: bool, letter: str) -> None:
    """Pins the letter of each state; a caution knows A and N only."""
    assert state_letter(alarm(3, state, priority=priority), silenced) == letter


def test_a_shelved_alarm_that_is_active_stays_in_sight() -> None:
    """Pins A for shelved and active, N for shelved and gone, N for suppressed whatever its condition."""
    assert state_letter(alarm(3, S.SHELVED, active=True)) == "A"
    assert state_letter(alarm(3, S.SHELVED, active=False)) == "N"
    assert state_letter(alarm(3, S.SUPPRESSED, active=True)) == "N"
    assert state_letter(alarm(3, S.OUT_OF_SERVICE, active=True, priority=Priority.CAUTION)) == "N"


def test_clock_time() -> None:
    """Pins hhmmss.ss, truncated to hundredths, wrapping at midnight."""
    assert clock_time(86_399.999) == "235959.99"
    assert clock_time(86_400.0) == "000000.00"
    assert clock_time(1_764_062_553.25) == "092233.25"


@given(st.lists(st.tuples(st.integers(10_001, 10_021), st.integers(1, 999_999), st.integers(1, 99)), max_size=500))
def test_the_list_is_whole_and_in_order(entries: list[tuple[int, int, int]]) -> None:
    """Pins that no entry is split or lost up to 99 lines, and that beyond them the beginning is kept."""
    lines = [parse(sent.encode()) for sent in alc(entries, "ABC", 7)]
    assert 1 <= len(lines) <= 99
    got: list[tuple[int, int, int]] = []
    for i, sent in enumerate(lines, 1):
        total, number, sequence, count, *rest = sent.fields
        assert (int(total), int(number), sequence) == (len(lines), i, "07")
        assert len(rest) == 4 * int(count) and set(rest[::4]) <= {"ABC"}
        got += [(int(a), int(b), int(c)) for a, b, c in zip(rest[1::4], rest[2::4], rest[3::4], strict=True)]
    assert got == entries[: len(got)]
    assert len(lines) == 99 or got == entries


def test_alr_states() -> None:
    """Pins condition and acknowledgement of the older sentence and its number at the second engine."""
    fields = [parse(alr(alarm(3, s, instance=2)).encode()).fields[1:4] for s in (S.UNACKNOWLEDGED, S.ACKNOWLEDGED)]
    assert fields == [("063", "A", "V"), ("063", "A", "A")]
    fields = [parse(alr(alarm(3, s)).encode()).fields[1:4] for s in (S.RETURNED, S.NORMAL)]
    assert fields == [("003", "V", "V"), ("003", "V", "A")]


@pytest.mark.parametrize(
    "body",
    [
        "CAACN,1,XXX,10021,1,S,",
        "CAACN,1,XXX,10021,1,S,R",
        "CAACN,1,XXX,10021,1,S",
        "CAACN,1,XXX,10021,1,X,C",
        "CAACN,1,XXX,,1,S,C",
        "CAACN,1,XXX,-1,1,S,C",
        "CAACN,1,XXX,12345678,1,S,C",
        "CAACN,1,XXX,10021,1,S,C,C",
        "CAALF,1,XXX,10021,1,S,C",
    ],
)
def test_what_is_no_command(body: str) -> None:
    """Pins that an ACN without its closing C, or with a field that is not one, commands nothing."""
    assert read_acn(parse(line(body))) is None


def test_ack_numbers() -> None:
    """Pins that only a number of up to three digits acknowledges."""
    assert [read_ack(parse(line(f"VRACK,{n}"))) for n in ("063", "9999", "", "x", "1,2")] == [
        63,
        None,
        None,
        None,
        None,
    ]


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"$",
        b"$*00",
        b"$CAACN,1*",
        b"$CAACN,1*0",
        b"CAACN,1*00",
        line("CAACN," + "1" * 80),
        line("PXYZ,1"),
        line("CA,1"),
        line("CAACN,\x07"),
        line("CAACN,\xe9"),
    ],
)
def test_what_is_no_sentence(raw: bytes) -> None:
    """Pins that short, long, unprintable and proprietary lines are refused with a reason."""
    with pytest.raises(SentenceError):
        parse(raw)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(raw: bytes) -> None:
    """Pins that the parser raises nothing but its own error, and returns only what makes the same line again."""
    try:
        got = parse(raw)
    except SentenceError:
        return
    assert compose([got.talker + got.formatter, *(escape(f, 999) for f in got.fields)])


@given(st.lists(st.sampled_from(["CAACN,1,XXX,10021,1,S,C", "VRACK,001"]), max_size=8), st.data())
def test_lines_survive_any_cutting(bodies: list[str], data: st.DataObject) -> None:
    """Pins that lines come out the same however the stream is cut, byte by byte included."""
    stream = b"".join(line(body) for body in bodies)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    splitter = LineSplitter()
    got = [x for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True) for x in splitter.feed(stream[a:b])]
    assert [parse(x) for x in got] == [parse(line(body)) for body in bodies]


@given(st.lists(st.binary(max_size=500), max_size=8))
def test_the_splitter_is_bounded_and_recovers(chunks: list[bytes]) -> None:
    """Pins that garbage is not kept and that the next whole line is read."""
    splitter = LineSplitter()
    for chunk in chunks:
        splitter.feed(chunk)
        assert len(splitter._rest) <= LINE_CHARS_MAX
    got = splitter.feed(line("VRACK,001"))
    assert parse(got[-1]) == Sentence("VR", "ACK", ("001",))


def test_datagram_layout() -> None:
    """Pins mark, tag block with its own checksum, and sentence; and the way back."""
    sent = datagram("ER0001", 123, "$VRACK,001*50\r\n")
    tags = "s:ER0001,n:123"
    assert sent == b"UdPbC\0\\" + f"{tags}*{checksum(tags)}\\$VRACK,001*50\r\n".encode()
    assert lines_of(sent) == [b"$VRACK,001*50\r"]
    assert lines_of(b"UdPbC\0$VRACK,001*50\r\n") == [b"$VRACK,001*50\r"]


@pytest.mark.parametrize(
    "raw", [b"$VRACK,001*50\r\n", b"UdPbC\0\\s:A,n:1*00\\$VRACK,001*50\r\n", b"RaUdP\0$VRACK,001*50"]
)
def test_other_datagrams_say_nothing(raw: bytes) -> None:
    """Pins that a datagram without the mark, or with a damaged tag block, carries no sentence."""
    assert lines_of(raw) == []


@given(st.binary(max_size=1_600))
def test_any_datagram_is_taken(raw: bytes) -> None:
    """Pins that no datagram raises, and that each line from one is bounded by it."""
    for data in (raw, b"UdPbC\0" + raw, b"UdPbC\0\\" + raw):
        assert sum(map(len, lines_of(data))) <= len(data)
