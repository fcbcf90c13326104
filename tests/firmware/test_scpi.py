"""Lines in, replies and errors out, against the standards' text as docs/commands.md tells it."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from firmware.rig import Rig, load

DOCS = Path(__file__).resolve().parents[2] / "docs" / "commands.md"

# line, reply (None: none), error numbers in order
LINES: list[tuple[str, str | None, list[int]]] = [
    ("SYST:VERS?", "1999.0", []),
    ("system:version?", "1999.0", []),
    ("SYSTEM:VERS?;PROT?", "1999.0;2", []),
    ("SYSTE:VERS?", None, [-113]),
    ("SYST:VERSIO?", None, [-113]),
    (":SYST:VERS?;:OUTP?", "1999.0;0", []),
    ("SYST:VERS?;*ESE?;PROT?", "1999.0;0;2", []),
    ("SYST:VERS?;OUTP?", "1999.0", [-113]),
    ("", None, []),
    (" ; ;; ", None, []),
    ("*OPC?", "1", []),
    ("*WAI;*OPC?", "1", []),
    ("*TST?", "0", []),
    ("*ESE 60;*ESE?", "60", []),
    ("*ESE 256", None, [-222]),
    ("*SRE 255;*SRE?", "191", []),
    ("*ESE", None, [-109]),
    ("*ESE 1,2", None, [-108]),
    ("*CLS 1", None, [-108]),
    ("*IDN", None, [-113]),
    ("FREQ 185 KHZ;FREQ:STAR 150E3;STAR?;STOP?", "150000;400000", []),
    ("SOUR:FREQ:STAR 1.5e5 hz;:FREQ:STAR?", "150000", []),
    ("FREQ:STAR 0.16MHZ;:FREQ:STAR?", "160000", []),
    ("FREQ:STAR 160.0004KHZ;:FREQ:STAR?", "160000", []),
    ("FREQ:STAR MAX;STAR?;STAR? MIN;STAR? DEF", "1000000;20000;100000", []),
    ("FREQ:STAR MAXIMUM;STAR? MAXI", None, [-224]),
    ("FREQ:STAR 2E6", None, [-222]),
    ("FREQ:STAR 1E999999999", None, [-222]),
    ("FREQ:STAR 19999.4", None, [-222]),
    ("FREQ:STAR 185 V", None, [-131]),
    ("FREQ:STAR 185 XHZ", None, [-131]),
    ("FREQ:STAR 1.2.3", None, [-121]),
    ("FREQ:STAR -", None, [-121]),
    ("FREQ:STAR high", None, [-104]),
    ("FREQ:STAR 1,", None, [-102]),
    ("FREQ,5", None, [-103]),
    ("FREQ::STAR 1", None, [-113]),
    ("FREQ@ 1", None, [-102]),
    ("SWE:POIN 10 HZ", None, [-138]),
    ("SWE:POIN 10001", None, [-222]),
    ("SWE:DWEL 5 MS;DWEL?", "0.005000", []),
    ("CURR:PROT 250 MA;PROT?;:CURR:PROT:LEV? DEF", "0.250000;1.000000", []),
    ("CURR:PROT 0.25;:SOURCE:CURRENT:PROTECTION:LEVEL?", "0.250000", []),
    ("PULS:DCYC 40 PCT;DCYC? MAX", "50.0000", []),
    ("PULS:DCYC 50.0001", None, [-222]),
    ("PULS:DCYC:LIM 90;:PULS:DCYC 60;DCYC:LIM 50;:PULS:DCYC?", "50.0000", []),
    ("FREQ:LIM:HIGH 15 KHZ", None, [-222]),
    ("FREQ:LIM:LOW 200 KHZ;HIGH 150 KHZ", None, [-221]),
    ("FREQ:LIM:LOW 170 KHZ;:FREQ 165 KHZ;FREQ? MIN", "170000.000", [-222]),
    ("OUTP:STAR ON;STAR?;STAR 0;STAR?", "1;0", []),
    ("OUTP MAYBE", None, [-224]),
    ("OUTP?;OUTP:COND?;PROT:TRIP?;CAUS?", '0;OFF;0;0,"None"', []),
    ("FREQ:MODE SWEEP;MODE?;MODE LIST;MODE?;MODE CW;MODE?", "SWE;LIST;CW", []),
    ("FREQ:MODE FIX", None, [-224]),
    ("FREQ:MODE 1", None, [-104]),
    ("PULS:DCYC:MODE FIXED;MODE?;MODE SWE;MODE?", "FIX;SWE", []),
    ("LIST:APP 165E3,40;APP 170 KHZ,30 PCT,175E3,10;POIN?", "3", []),
    ("LIST:APP 165E3", None, [-109]),
    ("LIST:APP 165E3,95", None, [-222]),
    ("LIST:CLE;POIN?;CHEC?", "0;0", []),
    ("FETC?", None, [-200]),
    ("MEAS:VOLT? PROB;:MEAS:VOLT:DC? LIGHT", "0.900000;0.500000", []),
    ("MEAS:VOLT? FOO", None, [-224]),
    ("MEAS:CURR?;:FETC:CURR?;VOLT?", "0.100000;0.100000;0.900000", []),
    ("CAL:ZERO?;:CAL:CURR:OFFS?;:MEAS:CURR?", "0.200000;0.200000;0.000000", []),
    ("CAL:CURR:GAIN 0.5;GAIN?;:CAL:PROB:OFFS -10 MV;OFFS?", "0.500000;-0.010000", []),
    ("INIT", None, [-221]),
    ("ABOR;TRAC:STAT?;POIN?", "IDLE,0,0,0,0;0", []),
    ("TRAC:DATA? 1,1", None, [-222]),
    ("TRAC:DATA? 0", None, [-109]),
    ("*RCL 0", None, [-200]),
    ("*RCL 4", None, [-222]),
    ("STAT:OPER:ENAB 65535;ENAB?;ENAB 65536", "32767", [-222]),
    ("STAT:QUES:ENAB 7;ENAB?;:STAT:PRES;:STAT:QUES:ENAB?", "7;0", []),
    ("STAT:OPER?;:STAT:OPER:COND?;:STAT:QUES?;QUES:COND?", "0;0;0;0", []),
    ("*ESR?;FOO?;*OPC?", "128;1", [-113]),
    ("SYST:HOST:TIM 0.1", None, [-222]),
    ("SYST:HOST:TIM 5;TIM?", "5.000000", []),
    ("SYST:SETT:STAT?", "DEFAULT", []),
    ("SYST:ERR?;ERR:NEXT?;COUN?", '0,"No error";0,"No error";0', []),
    # IEEE 488.2 7.7.6, arbitrary block program data, and 8.7.9 for the answer; *PUD is 10.27.
    ("*PUD?", "#3000", []),
    ("*PUD #213Buoy 7, green;*PUD?", "#3013Buoy 7, green", []),
    ("*pud  #0Buoy 7", None, []),
    ("*PUD #17Buoy 70", None, []),
    ("*PUD #16Buoy 70", None, [-161]),
    ("*PUD #210Buoy 7", None, [-161]),
    ("*PUD Buoy", None, [-104]),
    ('*PUD "Buoy"', None, [-104]),
    ("*PUD 210Buoy 7", None, [-104]),
    ("*PUD", None, [-109]),
    (":*PUD", None, [-109]),
    ("*PUD:", None, [-102]),
    ("*IDN:?", None, [-102]),
    # IEEE 488.2 7.7.6.2: a semicolon in a block is data; a malformed block swallows the line.
    ("*PUD #216a;OUTP ON;;bcdef;:OUTP?;*PUD?", "0;#3016a;OUTP ON;;bcdef", []),
    ("*PUD #15a;OUTP ON;:OUTP?", "0", [-161]),
    ("*PUD #0a;OUTP ON;:OUTP?", None, []),
    ("*PUD #3a;OUTP ON;:OUTP?", None, [-161]),
    ("*PUD #299a;OUTP ON;:OUTP?", None, [-161]),
    ("*PUD #12a ;*PUD?", "#3002a ", []),
    ('FREQ "1;OUTP ON;";:OUTP?', "0", [-104]),
    ("FREQ '1;OUTP ON;:OUTP?", None, [-104]),
    # 7.7.2.4: numbers are rounded to the precision of what they set, halves up.
    ("*ESE 4.6;*ESE?", "5", []),
    ("*ESE 4.5;*ESE?;*ESE 4.499;*ESE?", "5;4", []),
    ("*ESE 255.4;*ESE?;*ESE 255.5", "255", [-222]),
    ("CAL:CURR:OFFS -0.0000015;OFFS?", "-0.000002", []),
    ("FREQ:STAR 160.0005KHZ;:FREQ:STAR?", "160001", []),
    # 7.4.1.2: white space is every character below 33 but the line's end.
    ("*ESE\t16;\t*ESE?\t", "16", []),
    ("FREQ:STAR\t 150\tKHZ ;\t:FREQ:STAR?", "150000", []),
    # 7.7.2.2: white space around the exponent's E.
    ("*ESE 1.6 E1;*ESE?;*ESE 1.7E 1;*ESE?;*ESE 1.8 E +1;*ESE?", "16;17;18", []),
    ("FREQ:STAR 1.5 E2 KHZ;:FREQ:STAR?", "150000", []),
    # SCPI-99 volume 1, 7.3: a Boolean may be a number, which is rounded; 0 is OFF.
    ("OUTP:STAR 2;STAR?;STAR 0.4;STAR?;STAR -1;STAR?;STAR 0.5;STAR?", "1;0;1;1", []),
    # 6.5.7.5: `*IDN?` answers arbitrary text, so no query comes after it.
    ("*ESE 3;*IDN?;*ESE?", "Coilwright,resonant-driver,deadbeef,0.1.0", [-440]),
    ("*ESE 3;*ESE?;*IDN?;*ESE 4", "3;Coilwright,resonant-driver,deadbeef,0.1.0", []),
    # 7.6.1.5 and SCPI-99 volume 1, 6.2: a header that is none is undefined.
    ("SYST::VERS?", None, [-113]),
    # 7.7.4: numbers to the base of 16, 8 and 2.
    ("*ESE #H1F;*ESE?;*ESE #q17;*ESE?;*ESE #B101;*ESE?", "31;15;5", []),
    ("*ESE #H1G", None, [-121]),
    ("*ESE #X1", None, [-104]),
    # SCPI-99 volume 1, 6.2.1: a short form for every mnemonic; the name of the first edition stays.
    ("FOLL:STEP 500;:FOLLOW:STEP?;:TRACK:STEP?;:TRACK?", "500;500;0", []),
    ("TRAC:STEP?", None, [-113]),
    ("STATE:OPER?;:STATUS:OPER?;:OUTP:STATUS ON;:OUTP:STATE?", "0;0", [-113, -113]),
    ("OUTP:START?;:OUTP:STARTUP?;:SWE:POINT?", "0", [-113, -113]),
]


def answered(rig: Rig, line: str) -> str | None:
    rig.line.sent.clear()
    rig.say(line)
    for _ in range(2000):
        rig.server.turn()
    text = bytes(rig.line.sent).decode()
    assert not text or text.endswith("\n")
    assert text.count("\n") <= 1
    return text[:-1] if text else None


@pytest.mark.parametrize(("line", "reply", "errors"), LINES, ids=[line[0] for line in LINES])
def test_line(esp32: Rig, line: str, reply: str | None, errors: list[int]) -> None:
    assert answered(esp32, line) == reply
    assert esp32.errors() == errors


def test_every_documented_command_is_in_the_table(esp32: Rig) -> None:
    interpreter = esp32.server.scpi
    headers = []
    for line in DOCS.read_text("utf-8").splitlines():
        if not line.startswith("| `"):
            continue
        base = ""
        for code in re.findall(r"`([^`]*)`", line.split(" | ")[0]):
            pattern = code.split()[0].rstrip("?")
            if pattern.startswith(":"):
                pattern = base[: base.rfind(":")] + pattern
            if not re.match(r"[\[A-Z]", pattern) or ":…" in code:
                continue
            base = re.sub(r"[][]", "", pattern)
            headers += [re.sub(r"\[[^]]*\]", "", pattern), re.sub(r"[][]", "", pattern)]
    assert len(headers) > 120
    forms = headers + [re.sub(r"[a-z]", "", header) for header in headers]
    assert [f for f in forms if interpreter.headers.find(f.upper()) is None] == []


def test_every_row_of_the_table_has_its_part_or_handler(esp32: Rig) -> None:
    commands = esp32.server.commands
    headers = esp32.server.scpi.headers
    for header in headers.places:
        part, name, _, _ = headers.find(header[1:])
        if part:
            assert hasattr(getattr(commands, part), name), header
        else:
            assert hasattr(commands, name) or hasattr(commands, name + "_q"), header


def test_identification_has_four_fields(esp32: Rig) -> None:
    # IEEE 488.2 10.14: maker, model, serial number, firmware version.
    assert esp32.text("*IDN?") == "Coilwright,resonant-driver,deadbeef,0.1.0"


def test_error_queue_replaces_the_newest_when_full(esp32: Rig) -> None:
    # SCPI-99 21.8.1: on overflow the newest becomes -350 and the older ones stay.
    for i in range(20):
        esp32.say(f"NOPE{i}")
    assert esp32.text("SYST:ERR:COUN?") == "16"
    numbers = esp32.errors()
    assert numbers == [-113] * 15 + [-350]
    assert esp32.text("SYST:ERR?") == '0,"No error"'


def test_error_names_what_it_is_about(esp32: Rig) -> None:
    esp32.say("FREQ:STAR 5")
    esp32.say("NOPE?")
    expected = '-222,"Data out of range;5",-113,"Undefined header;NOPE?"'
    assert esp32.text("SYST:ERR:ALL?") == expected


@pytest.mark.parametrize(
    ("number", "bit"),
    # SCPI-99 21.8.9 to 21.8.12, device errors 1 to 32767 included: 5 CME, 4 EXE, 3 DDE, 2 QYE.
    [
        (-100, 5),
        (-199, 5),
        (-200, 4),
        (-299, 4),
        (-300, 3),
        (-399, 3),
        (1, 3),
        (32767, 3),
        (-410, 2),
    ],
)
def test_class_of_an_error_sets_its_own_bit(number: int, bit: int) -> None:
    status = load("status").Status()
    status.take_esr()
    status.error(number)
    assert status.take_esr() == 1 << bit


def test_status_byte_summarises_events_not_conditions(esp32: Rig) -> None:
    status = esp32.server.status
    assert esp32.text("*STB?") == "0"
    esp32.say("STAT:QUES:ENAB 32767;:STAT:OPER:ENAB 32767;:*ESE 255;*SRE 255")
    status.ques.condition = 2
    assert status.byte() & 8 == 0
    status.ques.event = 2
    assert status.byte() & 8
    esp32.say("*CLS")
    esp32.say("NOPE")
    # 4 error queue, 16 reply waiting, 32 event summary, 64 master summary (IEEE 488.2 11.2).
    assert esp32.text("*OPC?;*STB?") == f"1;{4 + 16 + 32 + 64}"


def test_preset_keeps_events_queue_and_enables_of_488(esp32: Rig) -> None:
    # SCPI-99 20.2: only the enable (and transition) registers.
    esp32.say("*ESE 4;*SRE 8;NOPE")
    esp32.server.status.ques.event = 5
    esp32.say("STAT:QUES:ENAB 7;:STAT:PRES")
    assert esp32.text("STAT:QUES:ENAB?;EVEN?;:*ESE?;*SRE?;:SYST:ERR:COUN?") == "0;5;4;8;1"


def test_reset_leaves_what_488_says_it_must(esp32: Rig) -> None:
    # IEEE 488.2 10.32.2: queue, enables, events, calibration and memories stay.
    esp32.say("CAL:CURR:OFFS 0.1;:*ESE 4;*SRE 8;:CURR:PROT 0.5;:FREQ 200E3;:*SAV 1;NOPE")
    esp32.say("SWE:POIN 7;:FREQ:MODE SWE;:LIST:APP 165E3,10;:*RST")
    assert esp32.text("*ESE?;*SRE?;:CAL:CURR:OFFS?;:CURR:PROT?") == "4;8;0.100000;0.500000"
    assert esp32.text("SWE:POIN?;:FREQ:MODE?;:LIST:POIN?") == "101;CW;0"
    assert esp32.text("FREQ?") == "164948.453"
    esp32.say("*RCL 1")
    assert esp32.text("FREQ?;:SYST:ERR:COUN?;:*ESR?") == f"200000.000;1;{128 + 32}"


ALPHABET = "".join(chr(c) for c in range(32, 127))
PARTS = """*IDN? *CLS *RST *OPC? *WAI *SAV *RCL FREQ FREQ? :OUTP ON OFF 1 0 40 PCT 185 KHZ
MIN MAX DEF ; ;: , ABOR INIT TRAC:DATA? 0,64 LIST:APP 165E3,40 MEAS? SWE:POIN 3 SYST:ERR?
SENS:AVER:COUN 1E9 FREQ:MODE SWE CAL:ZERO? -1 .5 E 1E-5 MA : ? * #"""
WORDS = st.sampled_from([*PARTS.split(), " "])
RANDOM_LINES = st.one_of(
    st.text(ALPHABET, max_size=255),
    st.lists(WORDS, max_size=12).map(" ".join),
    st.lists(WORDS, max_size=12).map("".join),
)


@settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(RANDOM_LINES, max_size=6))
@example(["FREQ:STAR " + "9" * 200 + "E-190"])
@example(["*OPC?;" * 30])
def test_any_line_leaves_the_queue_sound(esp32: Rig, lines: list[str]) -> None:
    for line in lines:
        esp32.line.inbox.append(line[:255])
    for _ in range(300):
        esp32.server.step()  # an exception that escapes a command would come out here
    assert len(esp32.server.status.queue) <= 16
    known = load("status").TEXTS
    for number, _ in esp32.server.status.queue:
        assert f"\n{number} " in known
    assert esp32.server.guard.cause in (0, 102)
    for reply in bytes(esp32.line.sent).split(b"\n"):
        assert b"#" in reply or len(reply) <= 255 * 16
    esp32.line.sent.clear()


def random_line(draw: random.Random, headers: list[str]) -> str:
    """A line that is nearly right, a heap of words, or plain noise."""
    kind = draw.random()
    if kind < 0.05:
        points = draw.randint(1, 400)
        return (
            "SYST:HOST:TIM 60;:OUTP:PROT:CLE;:FREQ 165E3;:PULS:DCYC 30;:OUTP ON;"
            f":SWE:POIN {points};DWEL 0;:INIT"
        )
    if kind < 0.06:
        return "ABOR;:OUTP OFF;*RST;:OUTP:PROT:CLE"
    if kind < 0.6:
        tail = draw.choice(["", ",40", ";" + draw.choice(headers) + "?"])
        end = draw.choice(["", "?", " "])
        return draw.choice(headers) + end + " " + draw.choice(PARTS.split()) + tail
    if kind < 0.9:
        words = [*PARTS.split(), *headers, " ", " "]
        return "".join(draw.choice(words) + draw.choice(["", " "]) for _ in range(8))[:255]
    return "".join(draw.choice(ALPHABET) for _ in range(draw.randint(1, 255)))


@pytest.mark.parametrize("seed", range(4))
def test_thousands_of_lines_raise_nothing(rig: Rig, seed: int) -> None:
    draw = random.Random(seed)
    patterns = [row.split()[0] for row in load("table").TABLE.strip().split("\n")]
    headers = [re.sub(r"\[[^]]*\]", "", name) for name in patterns if "MAIN" not in name]
    for _ in range(1500):
        rig.line.inbox.append(random_line(draw, headers))
        rig.clock.sleep_us(draw.randint(0, 3000))
        for _ in range(draw.randint(1, 8)):
            rig.server.step()
    assert rig.server.guard.cause != 104
    assert len(rig.server.status.queue) <= 16


def test_a_command_that_finds_no_room_is_an_error_and_no_trip(esp32: Rig) -> None:
    esp32.on()

    def full(_: object) -> str:
        raise MemoryError

    esp32.server.commands.memory_q = full
    assert esp32.text("SYST:VERS?;:SYST:MEM?;:SYST:PROT?") == "2"
    assert esp32.errors() == [-225]
    assert esp32.text("OUTP:COND?") == "ON"
