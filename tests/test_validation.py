"""What a person reads who wrote a wrong key or value into a plan or bench file: no word of the library that found it."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.plan_text import check, part, plan_text

from benchlog.bench import read_bench
from benchlog.errors import ConfigError
from benchlog.plan import read_plan

READING = {"function": "V=", "limits": {"voltage": {"low": "1 V"}}}


def refused(path: Path, text: str, read: object) -> tuple[str, str]:
    """Message (without the file's name) and hint."""
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as error:
        read(path)  # type: ignore[operator]
    assert "`" not in f"{error.value.message}{error.value.hint}"
    return error.value.message.removeprefix(f"{path}, "), error.value.hint


@pytest.mark.parametrize(
    ("lines", "said", "hint"),
    [
        ("acuracy = []", "line 3: instrument M: there is no key 'acuracy' here", "did you mean accuracy?"),
        ('counts = "4000"', "line 3: instrument M, counts: '4000' is not a whole number", "write counts = 4000"),
        ("counts = -5", "line 3: instrument M, counts: -5 is too small", "write 1 or more"),
        ('kind = "metr"', "line 3: instrument M, kind: 'metr' is not known here", "did you mean meter? one of: generator, meter, scope"),
        ('accuracy = "1 % + 5"', "line 3: instrument M, accuracy: text is not a list", 'write accuracy = [{ function = "V~", statement = "..." }]'),
        ('accuracy = [{ function = "V=", statment = "1 %" }]', "line 3: instrument M, accuracy 1: there is no key 'statment' here", "did you mean statement?"),
        ('data_sheet_only = "yes"', "line 3: instrument M, data_sheet_only: 'yes' is not true or false", "write data_sheet_only = true"),
        ('input_resistance = "10 MV"', "line 1: instrument M: input_resistance: '10 MV' is in V, not in ohm", "write it like '15 ohm'"),
        ('[[standard]]\ntag = "R"\nvalue = 5.0', "line 5: standard R, value: the number 5.0 is not text in quotes", 'write value = "5.0", with its unit if it has one'),
        ('[[standard]]\ntag = "R"\nvalue = "100 ohm"', "line 3: standard R: value: '100 ohm' is not for function 'V='", 'add function = "ohm"'),
        ('[[instrument]]\ntag = "M"', "line 1: instrument M: that tag is used twice", "tags must differ"),
        ('[[group]]\nname = "g"\nmeters = ["N"]', "line 3: group 'g': no instrument 'N'", "instruments are M"),
    ],
)  # fmt: skip
def test_bench_files(tmp_path: Path, lines: str, said: str, hint: str) -> None:
    assert refused(tmp_path / "b.toml", f'[[instrument]]\ntag = "M"\n{lines}\n', read_bench) == (said, hint)


def test_one_pair_of_brackets(tmp_path: Path) -> None:
    """The commonest slip of TOML."""
    said = refused(tmp_path / "b.toml", '[instrument]\ntag = "M"\n', read_bench)
    assert said == ("line 1: instrument: one pair of brackets is missing", "write [[instrument]]")


@pytest.mark.parametrize(
    ("keys", "said", "hint"),
    [
        ({"acuracy": "x"}, "there is no key 'acuracy' here", "did you mean accuracy?"),
        ({"valid_days": -90}, "valid_days: -90 is too small", "write 1 or more"),
        ({"valid_days": 1.5}, "valid_days: the number 1.5 is not a whole number", "valid_days takes a whole number"),
        ({"after": "C02"}, "after: text is not a list", 'write after = ["C02"]'),
        ({"limits": {"low": "1 V"}}, "limits.low: text is not a table", "write limits.NAME = { "),
        ({"limits": {"voltage": {"lo": "1 V"}}}, "limits.voltage: there is no key 'lo' here", "did you mean low?"),
        ({"function": "VDC"}, "function: 'VDC' is not known here", "one of: V~, V="),
        ({"source": "batery"}, "source: 'batery' is not known here", "did you mean battery? one of: "),
    ],
)  # fmt: skip
def test_plans(tmp_path: Path, keys: dict[str, object], said: str, hint: str) -> None:
    text = plan_text(part("T1"), check("C01", "reading", part="T1", **{**READING, **keys}))
    message, given = refused(tmp_path / "p.toml", text, read_plan)
    assert said in message
    assert given.startswith(hint)


def test_the_kind_of_a_check(tmp_path: Path) -> None:
    message, hint = refused(tmp_path / "p.toml", plan_text(part("T1"), check("C01", "suply")), read_plan)
    assert "check C01, kind: 'suply' is not known here" in message
    assert hint.startswith("did you mean supply? one of: compare, ")


def test_names_that_are_not_in_the_plan(tmp_path: Path) -> None:
    """Said with the line, and the name that was meant."""
    text = plan_text(part("T10"), check("C01", "reading", part="T1O", **READING))
    message, hint = refused(tmp_path / "p.toml", text, read_plan)
    line = 1 + text.splitlines().index('part = "T1O"')
    assert (message, hint) == (
        f"line {line}: check C01 is on part 'T1O', which is not in the plan",
        "did you mean T10?",
    )
