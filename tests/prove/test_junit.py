"""The JUnit XML, read by a library that others wrote (junitparser) and by Python's own parser."""

import math
from pathlib import Path
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st
from junitparser import JUnitXml, TestSuite

from faultlamp.knowledge.layouts import load_layouts
from faultlamp.prove.expectations import BusExpected, Expectations
from faultlamp.prove.heard import Heard
from faultlamp.prove.outcome import Outcome, outcome_xml
from faultlamp.prove.verdict import Finding, Result, Verdict
from support.expecting import engine, judged

THREE = """
title = "Acceptance"
[[fault]]
name = "holds"
spn = 110
must = "be_active"
[[fault]]
name = "fails"
spn = 110
must = "never_be_active"
[[fault]]
name = "not shown"
address = 9
must = "be_active"
[[fault]]
name = "need not be shown"
address = 9
must = "be_active"
may_be_not_shown = true
"""


def suite_of(xml: bytes, folder: Path) -> TestSuite:
    """The only suite, as the library reads the file."""
    path = folder / "junit.xml"
    path.write_bytes(xml)
    (suite,) = JUnitXml.fromfile(str(path))
    return suite


def test_a_library_of_others_reads_what_became_of_each(tmp_path: Path) -> None:
    """Counts, and one case an expectation: passed, failed with its evidence, failed as not shown, skipped."""
    suite = suite_of(outcome_xml(judged(THREE, engine(), tmp_path)), tmp_path)
    assert (suite.name, suite.tests, suite.failures, suite.errors, suite.skipped) == ("Acceptance", 4, 2, 0, 1)
    assert math.isclose(suite.time, 20)
    assert suite.timestamp == "2023-11-14T22:13:20"  # the tests' epoch, 1 700 000 000 s
    cases = {case.name: case for case in suite}
    assert list(cases) == ["holds", "fails", "not shown", "need not be shown"]
    assert [case.classname for case in suite] == ["faultlamp.fault"] * 4
    assert [case.is_passed for case in suite] == [True, False, False, False]
    assert [case.is_skipped for case in suite] == [False, False, False, True]
    (failure,) = cases["fails"].result
    assert failure.type == "failed"
    assert failure.message == "failed: engine 1 (0) SPN 110 FMI 3 was active at 10.100 s"
    assert failure.text.startswith("expected: SPN 110: never active\n")
    (unknown,) = cases["not shown"].result
    assert unknown.type == "not_shown"


def test_the_attributes_that_readers_of_junit_insist_on_are_there(tmp_path: Path) -> None:
    """What the commonly used schemas require (from memory): of a suite, its cases, its failures; and their order."""
    root = ElementTree.fromstring(outcome_xml(judged(THREE, engine(), tmp_path)))
    assert root.tag == "testsuites"
    (suite,) = root
    needed = {"name", "id", "package", "hostname", "timestamp", "tests", "failures", "errors", "skipped", "time"}
    assert set(suite.attrib) == needed
    assert [child.tag for child in suite] == ["properties", *["testcase"] * 4, "system-out", "system-err"]
    for case in suite.iter("testcase"):
        assert set(case.attrib) == {"name", "classname", "time"}
        assert float(case.attrib["time"]) >= 0
    assert all({"type", "message"} <= set(failure.attrib) for failure in suite.iter("failure"))


@given(st.text(st.characters(codec=None, exclude_categories=[]), max_size=40))
def test_no_text_breaks_the_xml(text: str) -> None:
    """XML 1.0, section 2.2: whatever stands in names and evidence, the file parses, and the rest of the text stays."""
    expected = BusExpected(kind="bus", name=text)
    verdict = Verdict(expected, text, Finding(Result.FAILED, text))
    expectations = Expectations(text, None, (expected,))
    outcome = Outcome(text, expectations, Heard(load_layouts(), expectations), [verdict])
    root = ElementTree.fromstring(outcome_xml(outcome))
    # A character of production [2] of XML 1.0; a parser makes blanks of line ends and tabs only where they are bare.
    allowed = "".join(
        char for char in text if char in "\t\n\r" or "\x20" <= char <= "\ud7ff" or "\ue000" <= char <= "\ufffd"
        or char >= "\U00010000"
    )
    case = next(root.iter("testcase"))
    assert case.attrib["name"] == allowed
