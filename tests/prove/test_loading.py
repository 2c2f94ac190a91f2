"""Files of expectations that make no sense: one line each, with file, table, key, what stands there, what may."""

from pathlib import Path

import pytest

from faultlamp.errors import DataFileError
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.prove.expectations import During, FaultPattern, NoOtherFaults
from faultlamp.prove.loading import load_expectations

FAULT = '[[fault]]\nname = "x"\nmust = "be_active"\n'

BAD = {
    "no TOML": ("[[fault", "not a TOML file"),
    "empty": ("", "top level: expects nothing; write at least one of [[controller]], [[key_cycles]], [[lamp]]"),
    "unknown kind": (FAULT + '[[faults]]\nname = "y"', "unknown key 'faults'"),
    "a table for a list": ('[fault]\nname = "x"', "fault = a table; allowed: 0 to 1000 tables [[fault]]"),
    "no name": ("[[fault]]\nmust = 'be_active'", "[[fault]] 1: name is missing; allowed: one line of text, 1 to 200"),
    "name twice": (FAULT + FAULT, "[[fault]] 2: name = 'x'; allowed: a name that no other expectation has"),
    "name of two lines": ('[[fault]]\nname = "a\\nb"', "name = 'a\\nb'; allowed: one line of text"),
    "name with an escape": ('[[fault]]\nname = "a\\u001b[2Jb"', "name = 'a\\x1b[2Jb'; allowed: one line of text"),
    "unknown key": (FAULT + "colour = 1", "[[fault]] 1: unknown key 'colour'; allowed: address, after, at_end"),
    "expects nothing": ('[[fault]]\nname = "x"', "expects nothing; give at least one of must, at_end, occurrence"),
    "SPN too large": (FAULT + "spn = 524288", "spn = 524288; allowed: a whole number, 0 to 524287"),
    "FMI too large": (FAULT + "fmi = 32", "fmi = 32; allowed: a whole number, 0 to 31"),
    "address too large": (FAULT + "address = 254", "address = 254; allowed: a whole number, 0 to 253"),
    "true is no number": (FAULT + "spn = true", "spn = true; allowed: a whole number"),
    "no such demand": ('[[fault]]\nname = "x"\nmust = "shine"', "must = 'shine'; allowed: one of be_active, stay_"),
    "no such lamp": (FAULT + 'lamp = "blue"', "lamp = 'blue'; allowed: one of malfunction_indicator, red_stop"),
    "range upside down": (FAULT + "spans = [3, 2]", "spans = [3, 2]; allowed: [LOW, HIGH] or one number, 0 to"),
    "range of three": (FAULT + "spans = [1, 2, 3]", "spans = [1, 2, 3]; allowed: [LOW, HIGH]"),
    "range of text": (FAULT + 'spans = "1-2"', "spans = '1-2'; allowed: [LOW, HIGH]"),
    "count above 126": (FAULT + "occurrence_count = 127", "occurrence_count = 127; allowed: [LOW, HIGH] or one number"),
    "not a number": (FAULT + "from_s = nan", "from_s = nan; allowed: a number, 0 to 31622400"),
    "before the first frame": (FAULT + "from_s = -1", "from_s = -1; allowed: a number, 0 to"),
    "window upside down": (FAULT + "from_s = 5\nto_s = 4", "to_s = 4; allowed: a number, 5 to"),
    "no such moment": (FAULT + 'after = "lunch"', "after = 'lunch'; allowed: one of key_on, key_off, engine_running"),
    "no such while": (FAULT + 'while = "asleep"', "while = 'asleep'; allowed: one of key_on, engine_running"),
    "moment without kind": ('[[moment]]\nname = "m"\n' + FAULT, "[[moment]] 1: what is missing; allowed: one of key"),
    "moment taken": (
        '[[moment]]\nname = "key_on"\nwhat = "key_on"\n' + FAULT, "[[moment]] 1: name = 'key_on'; allowed: a name"),
    "moment of the key with an SPN": (
        '[[moment]]\nname = "m"\nwhat = "key_on"\nspn = 1\n' + FAULT, "[[moment]] 1: unknown key 'spn'"),
    "moment number 0": (
        '[[moment]]\nname = "m"\nwhat = "key_on"\nnumber = 0\n' + FAULT, "number = 0; allowed: a whole number, 1 to"),
    "allows every fault": (
        '[[no_other_faults]]\nname = "x"\nallowed = [{}]', "[[no_other_faults]] 1, [[allowed]] 1: allows every fault"),
    "reading without layout": (
        '[[reading]]\nname = "x"\nspn = 524287\nlow = 1', "spn = 524287; allowed: an SPN that a layout has"),
    "wrong unit": ('[[reading]]\nname = "x"\nspn = 110\nunit = "degF"\nlow = 1', "unit = 'degF'; allowed: one of degC"),
    "limits upside down": (
        '[[reading]]\nname = "x"\nspn = 110\nlow = 5\nhigh = 4', "high = 4; allowed: a number, 5 to"),
    "reading without limits": (
        '[[reading]]\nname = "x"\nspn = 110\nmust = "at_end"', "must says when the reading is within limits"),
    "reading that expects nothing": ('[[reading]]\nname = "x"\nspn = 110', "expects nothing; give at least one of low"),
    "never_error = false": (
        '[[reading]]\nname = "x"\nspn = 110\nnever_error = false', "never_error = false; allowed: true, or leave"),
    "controller without address": ('[[controller]]\nname = "x"', "address is missing; allowed: a whole number, 0 to"),
    "unknown field of the NAME": (
        '[[controller]]\nname = "x"\naddress = 0\nclaim = { maker = 1 }', "[[controller]] 1, claim: unknown key 'make"),
    "never heard, with a period": (
        '[[controller]]\nname = "x"\naddress = 0\nheard = false\ndm1_period_s = 1', "heard = false leaves nothing"),
    "lamp check of anybody": (
        '[[lamp]]\nname = "x"\nlamp = "red_stop"\ncheck_s = [1, 2]', "check_s needs the controller: add address"),
    "lamp that expects nothing": ('[[lamp]]\nname = "x"\nlamp = "red_stop"', "expects nothing; give at least one"),
    "load without bit rate": (
        '[[bus]]\nname = "x"\nload_below_percent = 1', "load_below_percent and bit_rate need each other"),
    "window of the bus": ('[[bus]]\nname = "x"\nleast_s = 1\nfrom_s = 1', "[[bus]] 1: unknown key 'from_s'"),
    "channel of transport": (
        '[[transport]]\nname = "x"\naborted = 0\nchannel = "a"', "[[transport]] 1: unknown key 'channel'"),
    "half a key cycle": ('[[key_cycles]]\nname = "x"\ncount = [0.5, 2]', "count = [0.5, 2]; allowed: [LOW, HIGH] or"),
    "half a span": (FAULT + "spans = 1.5", "spans = 1.5; allowed: [LOW, HIGH] or one number, whole ones, 0 to"),
    "half a count": (FAULT + "occurrence_count = 1.5", "occurrence_count = 1.5; allowed: [LOW, HIGH]"),
    "claim of nothing": ('[[controller]]\nname = "x"\naddress = 0\nclaim = {}', "claim: expects nothing; give at"),
    "channel of what has none": ('[[bus]]\nname = "x"\nbad_lines = 0\nchannel = "a"', "channel is for the load alone"),
    "window of a fault's end": (
        '[[fault]]\nname = "x"\nat_end = "active"\nto_s = 3', "to_s would have no effect: without must, spans"),
    "window of a lamp's end": (
        '[[lamp]]\nname = "x"\nlamp = "protect"\nat_end = "off"\nafter = "key_on"', "after would have no effect"),
    "for no time": ("for_s = 0\n" + FAULT, "top level: for_s = 0; allowed: a number, 0.1 to"),
    "key cycles that expect nothing": ('[[key_cycles]]\nname = "x"', "expects nothing; give at least one of count"),
}


@pytest.mark.parametrize(("text", "complaint"), BAD.values(), ids=BAD)
def test_a_file_that_makes_no_sense_ends_in_one_line(text: str, complaint: str, tmp_path: Path) -> None:
    """The line begins with the file and says the rest."""
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        load_expectations(path, load_layouts())
    line = str(caught.value)
    assert line.startswith(f"{path}: ")
    assert complaint in line
    assert line.isprintable()


def test_zero_and_false_are_expectations(tmp_path: Path) -> None:
    """'None at all' is something to expect."""
    path = tmp_path / "x.toml"
    path.write_text(
        '[[bus]]\nname = "a"\nbad_lines = 0\n[[key_cycles]]\nname = "b"\nengine_ran = false\n'
        '[[fault]]\nname = "c"\nspans = 0\n[[transport]]\nname = "d"\nleast_completed = 0\n'
    )
    assert len(load_expectations(path, load_layouts()).expected) == 4


def test_defaults_at_the_top_count_for_all_that_say_nothing_else(tmp_path: Path) -> None:
    """Channel and `while`; and what another table wants to see is allowed among 'no other faults'."""
    path = tmp_path / "x.toml"
    path.write_text(
        'channel = "can1"\nwhile = "key_on"\n'
        '[[fault]]\nname = "a"\nspn = 110\nmust = "be_active"\nchannel = "can0"\nwhile = "engine_running"\n'
        '[[fault]]\nname = "b"\nspn = 111\nmust = "never_be_active"\n'
        '[[no_other_faults]]\nname = "c"\nallowed = [{ address = 3 }]\n'
    )
    fault, _, others = load_expectations(path, load_layouts()).expected
    assert (fault.channel, fault.when.during) == ("can0", During.ENGINE_RUNNING)
    assert (others.channel, others.when.during) == ("can1", During.KEY_ON)
    assert isinstance(others, NoOtherFaults)
    assert others.allowed == (FaultPattern(address=3), FaultPattern(spn=110))


@pytest.mark.parametrize(
    ("keys", "seen"),
    [
        ('must = "be_active"', True), ('must = "go"', True), ('at_end = "active"', True), ("spans = [0, 2]", True),
        ('lamp = "red_stop"', True), ("occurrence_count = 1", True), ('must = "go"\nat_end = "not_active"', True),
        ('must = "never_be_active"', False), ('at_end = "not_active"', False), ("spans = 0", False),
    ],
)
def test_no_other_faults_lets_pass_only_what_is_to_be_seen(keys: str, seen: bool, tmp_path: Path) -> None:
    """A fault that is to be absent is no excuse for it."""
    path = tmp_path / "x.toml"
    path.write_text(f'[[fault]]\nname = "a"\nspn = 110\n{keys}\n[[no_other_faults]]\nname = "b"\n')
    others = load_expectations(path, load_layouts()).expected[1]
    assert isinstance(others, NoOtherFaults)
    assert others.allowed == ((FaultPattern(spn=110),) if seen else ())
