"""Sentences against published ones and against another decoder.

Sources: the recorded log and the tests of pynmeagps (commit 03b28b46; its ALF lines are the standard's own examples);
tests of go-nmea (commit e4d24e3e); the examples of the standard's edition 6.0 as given in SwiftNMEA's tests. Sample
lines of talker ER were computed apart from this program, from those layouts. pynmeagps is the foreign decoder.
"""

from typing import Any

import pytest
from panel_boards import alarm
from pynmeagps import NMEAReader

from gateway.encode.sentence_lines import SentenceError, checksum, compose, parse
from gateway.encode.sentences import AlertCommand, alc, alf, alr, alr_empty, arc, hbt, read_ack, read_acn
from gateway.model.enums import AlarmState, Priority


def lines_in(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


PUBLISHED = lines_in(
    """
    $IIALF,1,1,0,124304.50,A,W,A,,192,1,1,0,LOST TARGET*14
    $IIALF,2,1,1,081950.10,B,A,S,XYZ,0512,1,2,0,HEADING LOST*2D
    $IIALF,2,2,1,,,,,XYZ,0512,1,2,0,NO SYSTEM HEADING AVAILABLE*0D
    $IIALF,1,1,0,124304.50,A,W,A,,3052,1,1,0,LOST TARGET*2A
    $IIALF,2,1,1,081950.10,B,A,S,XYZ,010512,1,2,0,HEADING LOST*2C
    $IIALF,2,2,1,,,,,XYZ,010512,1,2,0,NO SYSTEM HEADING AVAILABLE*0C
    $IIALC,01,01,00,0*7E
    $IIALC,01,01,00,1,,192,,3*76
    $IIALC,01,01,00,2,,192,1,3,XYZ,512,,7*1E
    $IIALC,01,01,05,1,,10001,2,3*4B
    $FBALC,02,01,03,01,FEB,01,02,03*0A
    $FBALC,02,01,03,02,FEB,01,02,03,TEB,02,03,04*5F
    $FBALC,02,01,03,00*4A
    $RAACN,220516,TCK,002,1,A,C*00
    $RAARC,220516,TCK,002,1,A*73
    $HCHBT,1.5,A,1*23
    $HCHBT,,V,1*1E
    $RAALR,220516,001,A,A,Bilge pump alarm1*4C
    $RAALR,220516,001,A,A,*53
    $VRACK,001*50
    $RCRPM,S,0,74.6,30.0,A*56
    $SDXDR,C,23.15,C,WTHI*70
    $WIXDR,C,9.7,C,2,U,24.1,N,0,U,24.4,V,1,U,3.510,V,2*46
    $HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41
    $GPZDA,172809.456,12,07,1996,00,00*57
    $HEROT,-11.23,A*07
    $GPFOO,1,2,3.3,x,y,zz,*51
    """
)

SAMPLES = lines_in(
    """
    $ERALF,2,1,0,123456.00,C,W,V,XXX,10021,1,1,0,CHAIN PHASE LATE*6C
    $ERALF,2,2,0,,,,,XXX,10021,1,1,0,Cam 1.62deg late Check chain*1F
    $ERALC,01,01,00,2,XXX,10021,1,1,XXX,10011,1,4*6D
    $ERALC,01,01,01,0*68
    $CAACN,123501.00,XXX,10021,1,S,C*2F
    $ERARC,123501.00,XXX,10021,1,A*5B
    $ERHBT,30.0,A,3*0A
    """
)

UTC_123456 = 12 * 3600 + 34 * 60 + 56.0


def foreign(line: str) -> Any:
    """What pynmeagps makes of a line; it raises on a wrong checksum, an unknown sentence and a missing field."""
    return NMEAReader.parse(line, validate=1)


@pytest.mark.parametrize("line", PUBLISHED + SAMPLES)
def test_published_sentences_are_read_and_reproduced(line: str) -> None:
    """Pins checksum, address and fields of published lines in both directions, to the character."""
    sentence = parse(line.encode() + b"\r\n")
    assert compose([sentence.talker + sentence.formatter, *sentence.fields]) == line + "\r\n"
    assert checksum(line[1:-3]) == line[-2:]


@pytest.mark.parametrize("line", ["$GPFOO,1,2,3.4,x,y,zz,*51", "$HCHBT,98.3,0.0,E,12.6,W*57"])
def test_published_lines_with_a_wrong_checksum_are_refused(line: str) -> None:
    """Pins go-nmea's negative example and one of its comments' broken lines."""
    with pytest.raises(SentenceError, match="calculated"):
        parse(line.encode())


def test_the_samples_are_what_the_encoder_says() -> None:
    """Pins every outgoing sample line as the encoder's own output."""
    late = alarm(
        20, title="CHAIN PHASE LATE", text="Cam 1.62deg late Check chain", priority=Priority.WARNING,
        changed_utc_s=UTC_123456,
    )  # fmt: skip
    refused = AlertCommand("XXX", 10021, 1, "A")
    lines = [
        *alf(late, "V", 1, "XXX", 0),
        *alc([(10021, 1, 1), (10011, 1, 4)], "XXX", 0),
        *alc([], "XXX", 1),
        arc(UTC_123456 + 5, refused),
        hbt(30.0, True, 3),
    ]
    assert lines == [line + "\r\n" for line in SAMPLES if not line.startswith("$CA")]


def test_the_sample_command_is_read() -> None:
    """Pins the sample ACN as a silence, and go-nmea's as an acknowledgement."""
    assert read_acn(parse(b"$CAACN,123501.00,XXX,10021,1,S,C*2F")) == AlertCommand("XXX", 10021, 1, "S")
    assert read_acn(parse(b"$RAACN,220516,TCK,002,1,A,C*00")) == AlertCommand("TCK", 2, 1, "A")
    assert read_ack(parse(b"$VRACK,001*50")) == 1


def test_a_foreign_decoder_reads_the_alert() -> None:
    """Pins the fields of both ALF lines as pynmeagps reads them."""
    first, second = map(foreign, alf(alarm(3, AlarmState.RETURNED, revision=99, instance=2), "U", 99, "ABC", 7))
    assert (first.msgID, first.numSen, first.senNum, first.seqmid) == ("ALF", 2, 1, 7)
    assert (first.alertcat, first.alertpriority, first.alertstate, first.mfrcode) == ("C", "A", "U", "ABC")
    assert (first.alertid, first.alertinst, first.revisionctr, first.escalationctr) == ("10004", "2", "99", "0")
    assert str(first.timelastchange) == "12:34:56"
    assert (first.alerttxt, second.alerttxt) == ("ALARM 3", "Text of alarm 3")


def test_a_foreign_decoder_reads_the_rest() -> None:
    """Pins list, refusal, heartbeat and the older sentence as pynmeagps reads them."""
    listed = foreign(alc([(10004, 1, 7), (10021, 2, 99)], "ABC", 42)[0])
    assert (listed.seqmid, listed.numAlerts, listed.alertid_02, listed.revisionctr_02) == (42, 2, "10021", "99")
    assert foreign(alc([], "ABC", 0)[0]).numAlerts == 0
    assert foreign(arc(0.0, AlertCommand("ABC", 10004, 0, "O"))).alertcmd == "O"
    beat = foreign(hbt(30.0, False, 9))
    assert (beat.repeatint, beat.status, beat.seqid) == (30.0, "V", 9)
    old = foreign(alr(alarm(3)))
    assert (old.alarmnum, old.alarmcond, old.alarmstate, old.alarmtext) == ("003", "A", "V", "ALARM 3")
    assert foreign(alr_empty()).alarmcond == "V"
