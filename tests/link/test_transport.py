"""Lines, answers, silence and staying in step, on a line that can be made bad."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.errors import LinkLost, NoAnswer
from coilwright.link import replies
from coilwright.link.transport import Transport, transcript_of
from link.fakedriver import QUICK, FakeDriver, FakeLine, lossy


def transport(line: FakeLine) -> Transport:
    return Transport(line, QUICK, name="fake")


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_lines_end_in_lf_cr_or_both(end):
    line = FakeLine()
    line.say(b"one" + end + b"two" + end)
    link = transport(line)

    assert [link.read_line(0.1), link.read_line(0.1)] == ["one", "two"]


@settings(max_examples=50)
@given(st.lists(st.integers(1, 7), min_size=1, max_size=5))
def test_split_lines_are_put_together(chunks):
    line = FakeLine(chunk=chunks[0])
    link = transport(line)

    assert link.query("*IDN?", str) == line.driver.identity
    assert link.query("SYST:PROT?", str) == "2"


def test_half_a_line_at_the_deadline_is_no_answer_and_is_kept():
    line = FakeLine()
    line.say(b"1650")
    link = transport(line)

    with pytest.raises(NoAnswer) as caught:
        link.read_line(0.02)
    assert "'1650'" in caught.value.hint
    line.say(b"00.000\n")
    assert link.read_line(0.1) == "165000.000"


def test_silence_is_no_answer_with_the_transcript():
    line = FakeLine()
    line.mute = True

    with pytest.raises(NoAnswer) as caught:
        transport(line).query("*IDN?", str, retries=0)
    assert "'*IDN?'" in caught.value.message
    assert "> b'~0*IDN?~e723391d\\n'" in transcript_of(caught.value)


def test_a_line_that_is_lost_at_once_leaves_time_for_other_tries():
    """Before it has heard an answer, too: the host-lost time is that of one reply."""
    line = FakeLine()
    line.mute = True

    with pytest.raises(NoAnswer):
        transport(line).query("OUTP OFF;:SYST:ERR:ALL?", str, retries=2)
    assert line.written.count(b"OUTP OFF") >= 8


def test_an_echo_is_not_taken_for_the_answer():
    line = FakeLine()
    line.echo = True

    assert transport(line).query("SYST:PROT?", str) == "2"


def test_a_late_answer_never_answers_the_next_question():
    line = FakeLine()
    link = transport(line)
    line.mute = True
    with pytest.raises(NoAnswer):
        link.query("FREQ?", str, retries=0)
    line.mute = False
    line.say(b"165000.000\n")  # now it comes

    assert link.query("SYST:PROT?", str) == "2"


def test_after_a_loss_both_ends_come_back_into_step_and_the_question_is_asked_again():
    line = FakeLine()
    link = transport(line)
    losses = iter([True])
    line.to_driver = lambda data: b"~0FR" if next(losses, False) else data

    assert link.query("FREQ?", str) == "165000.000"
    assert line.driver.lines == ["*SRE 0", "FREQ?"]  # a short line first: the host is there
    assert line.driver.errors == []


def test_a_line_that_arrived_damaged_is_sent_again_even_if_it_must_not_be_repeated():
    line = FakeLine()
    damage = iter([b"INIX", b"OUTP"])
    line.to_driver = lambda data: data.replace(b"INIT", next(damage, b"INIT"))

    assert transport(line).query("INIT;:TRAC:STAT?", str, retries=0) == "IDLE,0,0,0,0"
    assert line.driver.lines == ["INIT;:TRAC:STAT?"]
    assert line.written.count(b"INIT") == 3


def test_what_must_not_be_repeated_is_sent_once():
    for mute, damage in ((True, bytes), (False, lambda data: data[:-3] + b"\n")):
        line = FakeLine()
        line.mute, line.to_host = mute, damage
        with pytest.raises(NoAnswer):
            transport(line).query("INIT", str, retries=0)
        assert line.written.count(b"INIT") == 1


def test_a_late_refusal_of_another_line_sends_nothing_again():
    line = FakeLine()
    line.say(b"~z\n~\n")

    assert transport(line).query("FREQ?", str, retries=0) == "165000.000"
    assert line.driver.lines == ["FREQ?"]


def test_late_answers_cause_no_further_questions():
    """A slow driver answers what was asked too often; none of that is damage."""
    line = FakeLine()
    link = transport(line)
    held: list[bytes] = []

    def late(data: bytes) -> bytes:
        held.append(data)
        return b"".join(held) if len(held) == 3 else b""

    line.to_host = late
    assert link.query("FREQ?", str) == "165000.000"
    line.to_host = bytes
    before = len(line.driver.lines)
    assert before == 3
    assert link.query("SYST:PROT?", str, retries=0) == "2"
    assert line.driver.lines[before:] == ["SYST:PROT?"]


def test_lines_are_shorter_where_long_ones_do_not_arrive():
    line = FakeLine()
    link = transport(line)
    line.to_driver = lambda data: data if len(data) < 100 else data[:50] + data[51:]
    with pytest.raises(NoAnswer):
        link.query("FREQ?;" * 20, str)
    assert link.room < 130
    for _ in range(30):
        link.query("FREQ?", str)
    assert link.room == 255


@pytest.mark.parametrize("damage", [(b"165", b"164"), (b"\n", b""), (b".", b"\xae"), (b"~", b">")])
def test_an_answer_that_arrives_damaged_is_asked_again(damage):
    """Also one that reads as another answer would: a digit turned into another digit."""
    line = FakeLine()
    once = iter([True])
    line.to_host = lambda data: data.replace(*damage) if next(once, False) else data

    assert transport(line).query("FREQ?", float) == 165000.0


def test_no_error_is_never_read_as_a_trip():
    """`0,"No error"` with one bit turned is `4,"No error"`."""
    line = FakeLine()
    once = iter([True])
    line.to_host = lambda data: data.replace(b'0,"No', b'4,"No') if next(once, False) else data

    assert transport(line).query("SYST:ERR:ALL?", replies.messages) == ()


def test_a_sound_answer_that_makes_no_sense_is_told():
    with pytest.raises(NoAnswer, match="makes no sense"):
        transport(FakeLine()).query("SYST:BOAR?", float)


def test_a_pulled_cable_is_a_lost_link_not_a_traceback():
    line = FakeLine()
    link = transport(line)
    line.dies_after = 3

    with pytest.raises(LinkLost):
        link.query("*IDN?", str)


def test_the_transcript_holds_the_last_200_lines():
    line = FakeLine()
    link = transport(line)
    for _ in range(150):
        link.query("SYST:PROT?", str)

    told = link.transcript().splitlines()
    assert len(told) == 200
    assert "< b'2~" in told[-1]


def test_a_failure_is_appended_to_the_log(tmp_path):
    line = FakeLine()
    line.mute = True
    link = Transport(line, QUICK, log=tmp_path / "link.log")
    with pytest.raises(NoAnswer) as caught:
        link.query("*IDN?", str, retries=0)
    link.write_log(caught.value)

    text = (tmp_path / "link.log").read_text()
    assert "# NoAnswer: '*IDN?'" in text
    assert "b'~0*IDN?~e723391d\\n'" in text


def test_a_damaged_block_is_told_from_a_sound_one():
    driver = FakeDriver()
    driver.sweep, driver.state, driver.next, driver.total = 1, 3, 10, 10
    line = FakeLine(driver)
    link = transport(line)
    flips = iter([lossy(1, flip=0.05)])
    line.to_host = lambda data: next(flips, bytes)(data)

    assert link.ask_block("TRAC:DATA? 0,10", lambda block: True) is None
    block = link.ask_block("TRAC:DATA? 0,10", lambda block: True)
    assert block is not None
    assert block.count == 10


def test_text_can_follow_a_block():
    driver = FakeDriver()
    driver.sweep, driver.state, driver.next, driver.total = 1, 3, 10, 10
    link = transport(FakeLine(driver, chunk=5))

    assert link.ask_block("TRAC:DATA? 0,10", lambda block: True) is not None
    assert link.query("SYST:PROT?", str) == "2"
    assert "*CLS" not in " ".join(driver.lines)


@settings(max_examples=12)
@given(st.integers(0, 10_000))
def test_a_lossy_line_gives_the_right_answer_or_none(seed):
    line = FakeLine()
    line.to_host = lossy(seed, lose=0.02, flip=0.02)
    line.to_driver = lossy(seed + 1, lose=0.02, flip=0.02)

    try:
        assert transport(line).query("*IDN?", str) == line.driver.identity
    except NoAnswer:
        assert line.written.count(b"*IDN?") >= 1
