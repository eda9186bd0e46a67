"""Plan files: what is accepted, and the error for each slip."""

from __future__ import annotations

import importlib
from importlib.resources import files
from pathlib import Path
from typing import get_type_hints

import pytest
from helpers.plan_text import check, part, plan_text

from benchlog.errors import BenchlogError, ConfigError, UsageError
from benchlog.guide.steps.supply import limits
from benchlog.magnetics.turns_posterior import counting_prior
from benchlog.plan import KINDS, plan_schema, read_plan

GOOD = """
[project]
name = "KC-1"
mains = "230 V"

[[part]]
tag = "T1"
feeds = ["REC"]

[[part]]
tag = "REC"

[[part]]
tag = "CT1"

[[check]]
id = "C03"
kind = "supply"
part = "T1"
nameplate = "24 V ac 40 VA"

[[check]]
id = "C13"
kind = "reading"
part = "REC"
function = "V="
limits.voltage = { high = "40.9 V" }

[[check]]
id = "C07"
kind = "ratio"
part = "CT1"
scope = "SC-03"
primary = "CH1"
secondary = "CH2"
expect = "60"

[[hold]]
id = "H1"
step = "open the case of T1"
needs = ["C03"]
"""


def plan(tmp_path: Path, text: str = GOOD):
    """Write and read a plan."""
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return read_plan(path)


def test_a_good_plan_is_read(tmp_path):
    """Parts, checks, holds, limits in SI units."""
    found = plan(tmp_path)
    assert list(found.checks) == ["C03", "C13", "C07"]
    assert found.mains_nominal_v == 230.0
    limits = found.check("C13").parsed_limits()["voltage"]
    assert (limits.low, limits.high, limits.unit, limits.source) == (None, 40.9, "V", "plan")


def test_a_changed_part_reopens_what_it_feeds(tmp_path):
    """T1's change re-opens its own check and the rectifier's, not the toroid's."""
    found = plan(tmp_path)
    assert found.reopened_by("T1") == ["C03", "C13"]
    assert found.reopened_by("CT1") == ["C07"]


def test_revision_changes_with_any_edit(tmp_path):
    """A check's revision is a digest of all that defines it."""
    before = plan(tmp_path).check("C13").revision
    after = plan(tmp_path, GOOD.replace("40.9 V", "41.0 V")).check("C13").revision
    assert before != after
    assert plan(tmp_path).check("C13").revision == before


@pytest.mark.parametrize(
    ("old", "new", "said", "hinted"),
    [
        ('nameplate = "24 V ac 40 VA"', 'nameplat = "24 V"', "line 20", "did you mean nameplate?"),
        (
            'nameplate = "24 V ac 40 VA"',
            "nameplate = 24",
            "line 20: check C03, nameplate: 24 is a",
            "24 V ac 40",
        ),
        ('nameplate = "24 V ac 40 VA"', 'nameplate = "24 V ac 40 XX"', "line 20: check C03", "24 V ac 40 VA"),
        (
            'nameplate = "24 V ac 40 VA"',
            'nameplate = ["24 V"]',
            "['24 V'] is not a text in quotes",
            "24 V ac 40",
        ),
        ('needs = ["C03"]', 'needs = ["C99"]', "H1 needs 'C99'", "C03"),
        ('needs = ["C03"]', "needs = []", "needs no check", "list the checks"),
        ('part = "REC"', 'part = "RECT"', "part 'RECT'", "REC"),
        ('{ high = "40.9 V" }', "{ }", "low, high or both", ""),
        ('{ high = "40.9 V" }', '{ low = "50 V", high = "40.9 V" }', "above high", ""),
        (
            '{ high = "40.9 V" }',
            '{ high = "40.9 parsec" }',
            "line 27: check C13, limits.voltage.high",
            "27.75 V",
        ),
        ('{ high = "40.9 V" }', "{ high = 40.9 }", "40.9 is a bare number", "27.75 V"),
        ('{ high = "40.9 V" }', '{ high = "40.9 ohm" }', "not in V", " V"),
        ("limits.voltage", "limits.current", "limits.current: not measured by a reading check", "voltage"),
        ('expect = "60"', 'expect = "60"\ntolerance = "6"', "600 %, not 0 to 100 %", "0.5 %"),
        ('expect = "60"', 'expect = "60"\nfrequency = 5000', "5000 is a bare number", "5 kHz"),
        ('expect = "60"', 'expect = "60"\nfrequency = "5 V"', "not in Hz", "5 kHz"),
        ('expect = "60"', 'expect = "60"\ndivider = "1:60"', "does not divide", "100:1"),
        ('id = "C13"', 'id = "C03"', "line 23: check 'C03' is defined twice, first in line 17", "own name"),
        ('tag = "REC"', 'tag = "T1"', "part 'T1' is defined twice, first in line", "own name"),
        ('kind = "reading"', 'kind = "guess"', "guess", ""),
        (
            'expect = "60"',
            'expect = "60"\nmains_referenced = true',
            "scope clip on a node connected to mains (mains_referenced) is refused",
            "protective earth",
        ),
        ("[project]", "[project", "not valid TOML", "brackets"),
        ('mains = "230 V"', 'mains = "230 ohm"', "project.mains", ""),
        ('mains = "230 V"', 'mains = "23 V"', "23 V is not a mains voltage", "230 V"),
        (
            '{ high = "40.9 V" }',
            '{ high = "40.9 V" }\nexpect = "170 V"',
            "expect 170 V lies outside the limits",
            "",
        ),
    ],
)
def test_each_slip_is_reported_with_its_place(tmp_path, old, new, said, hinted):
    """File, line or check, value, and what would be right."""
    assert old in GOOD
    with pytest.raises(ConfigError) as caught:
        plan(tmp_path, GOOD.replace(old, new, 1))
    assert said in str(caught.value)
    assert hinted in caught.value.hint


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("ratio", {"expect": "60", "scope": "SC-03", "primary": "A", "secondary": "B"}),
        ("inductance", {"scope": "SC-03", "across": "A", "resistor_channel": "B", "resistor": "1 kohm"}),
        ("list", {"item": [{"take": "phase", "name": "p", "scope": "SC-03", "primary": "A", "secondary": "B",
                            "frequency": "50 Hz", "limits": {"high": "1 deg"}}]}),
    ],
)  # fmt: skip
def test_a_scope_clip_on_a_mains_referenced_node_is_refused(tmp_path, kind, fields):
    """Whatever kind of check would put it there: a scope's ground is protective earth."""
    clip = check("C1", kind, mains_referenced=True, **fields)
    with pytest.raises(ConfigError, match="connected to mains") as caught:
        plan(tmp_path, plan_text(part("T1"), clip))
    assert "protective earth" in caught.value.hint + str(caught.value)


def test_no_file_and_no_text(tmp_path):
    """A missing plan and a picture are different errors."""
    with pytest.raises(ConfigError, match="does not exist"):
        read_plan(tmp_path / "none.toml")
    picture = tmp_path / "plan.toml"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8 text"):
        read_plan(picture)


def test_deep_nesting_is_one_error(tmp_path):
    """A hostile file does not end in a traceback."""
    with pytest.raises(ConfigError):
        plan(tmp_path, "x = " + "[" * 100_000 + "]" * 100_000)


def test_asking_for_what_is_not_there(tmp_path):
    """Unknown ids name the known ones."""
    found = plan(tmp_path)
    with pytest.raises(UsageError) as caught:
        found.check("C99")
    assert "C13" in caught.value.hint
    with pytest.raises(UsageError):
        found.hold("H9")


def test_a_number_needs_no_quotes_where_no_unit_can_be_missing(tmp_path):
    """Turns and tolerances; the check is the same one as with quotes."""
    found = plan(tmp_path, GOOD.replace('expect = "60"', "expect = 60")).check("C07")
    assert found.expect.value == 60.0
    assert found.revision == plan(tmp_path).check("C07").revision


def test_revisions_of_shipped_plans_are_those_on_record():
    """A result counts only for the revision it was taken on: digests as version 0.1.0 wrote them into logbooks."""
    recorded = {
        "C01": "c57a381d4965",
        "C02": "e327b7806db9",
        "C04": "b74bbdeb477b",
        "C06": "d7066bf96255",
        "C07": "45d3a90f6111",
        "C08": "d3370ada82ee",
        "C09": "cff9d58b3f24",
        "C11": "8770e874331e",
        "C12": "23319bf1a66e",
        "C13": "4684203b589f",
        "C16": "674786183997",
    }
    checks = read_plan(Path(str(files("benchlog.demo") / "kc1.toml"))).checks
    assert {name: checks[name].revision for name in recorded} == recorded


def test_every_kind_has_its_steps():
    """The module of its steps is found by its tag, and does checks of just this kind."""
    for kind in KINDS:
        module = importlib.import_module(f"benchlog.guide.steps.{kind.tag}")
        assert get_type_hints(module.measure)["check"] is kind.spec
        assert get_type_hints(getattr(module, "expectation", module.measure))["check"] is kind.spec


def test_annotations_of_kinds_are_not_text():
    """Each would be compiled again for every kind that inherits it, while `status` waits."""
    for kind in KINDS:
        for spec in kind.spec.__mro__[:2]:
            assert not any(isinstance(a, str) for a in spec.__annotations__.values()), spec


def test_editors_learn_what_belongs_into_each_field():
    """Description, unit's example and default come from the field's declaration."""
    supply = plan_schema()["$defs"]["SupplyCheck"]["properties"]
    assert supply["load_tolerance"]["default"] == "1 %"
    assert supply["load"]["anyOf"][0]["examples"] == ["15 ohm"]
    for kind in KINDS:
        for name, field in plan_schema()["$defs"][kind.spec.__name__]["properties"].items():
            assert name == "kind" or field.get("description"), (kind.tag, name)


def test_a_windows_path_in_double_quotes_is_named(tmp_path):
    r"""In TOML a backslash in double quotes begins an escape; single quotes take a path as it is."""
    text = '[project]\nname = "KC-1"\nfolder = "C:\\captures\\t1.csv"\n'
    with pytest.raises(ConfigError, match="not valid TOML") as error:
        plan(tmp_path, text)
    assert "single quotes" in error.value.hint


def test_a_prior_of_whole_turns_and_the_accuracy_of_the_mains(tmp_path):
    """Both are in the revision where they are given, and reach the check; without them older results count on."""
    before = plan(tmp_path)
    text = GOOD.replace('kind = "ratio"', 'kind = "ratio"\nprior = "70 %"')
    text = text.replace('kind = "supply"', 'kind = "supply"\nmains = "236 V"\nmains_accuracy = "3 % + 1"')
    after = plan(tmp_path, text)
    assert before.check("C07").miscounts() is None
    assert after.check("C07").miscounts() == counting_prior(0.7)
    assert after.check("C07").revision != before.check("C07").revision
    usual = plan(tmp_path, text.replace('mains_accuracy = "3 % + 1"\n', ""))
    least, most = (limits(p.check("C03"), p)["no_load_voltage"].standard_uncertainty for p in (usual, after))
    # RECOMPUTED by hand: 27.83 V times the root of ((3.36 V or 8.08 V) / (236 V x sqrt 3))^2 + 0.003^2.
    assert (least, most) == (pytest.approx(0.2435, abs=5e-4), pytest.approx(0.5564, abs=5e-4))
    with pytest.raises(BenchlogError, match="leaves nothing to measure"):
        plan(tmp_path, text.replace("70 %", "100 %"))
