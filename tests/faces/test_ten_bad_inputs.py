"""Ten bad inputs of each command that says what to change, how it lasts, or what is unusual: one clear message."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from few_parts import FEW_PARTS

from margin.cli import cli
from margin.commands.common import BAD_INPUT

CASE = """
[load]
range = "2 N to 60 N"
check = 2
[requirement]
permissible_error = "6 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 12 %"
reference_load = "20 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "82 kohm +/- 1 %"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 200
"""

PROTOTYPE = "sensor,run,branch,load_N,conductance_S\n" + "".join(
    f"P,1,{branch},{load},{load * 1e-6 + 1e-8}\n" for branch, load in (("up", 2), ("up", 60), ("down", 2))
)

FILES: dict[str, str | bytes] = {
    "case.toml": CASE,
    "broken.toml": "[load\n",
    "reversed.toml": CASE.replace("2 N to 60 N", "60 N to 2 N"),
    "empty.toml": "",
    "binary.toml": bytes(range(256)),
    "parts.toml": FEW_PARTS.replace('range = ["1 kohm", "1 Mohm"]', 'range = ["5 N", "1 Mohm"]'),
    "measures.toml": '[today]\noption = "none"\n[[measure]]\nname = "nothing"\ncost = 1.0\n',
    "proto.csv": PROTOTYPE,
    "words.csv": PROTOTYPE.replace(f"{2e-6 + 1e-8}", "abc", 1),
    "foo.csv": "foo,bar\n1,2\n2,3\n",
    "header.csv": "unit,time (h),failed\n",
    "negative.csv": "unit,time (h),failed\n1,-5,1\n2,7,1\n",
    "flags.csv": "unit,time (h),failed\n1,5,maybe\n2,7,1\n",
    "no_unit.csv": "unit,time,failed\n1,5,1\n2,7,1\n",
    "survivors.csv": "unit,time (h),failed\n1,5,0\n2,7,0\n",
    "twice.csv": "unit,time (h),failed\n1,5,1\n1,7,1\n",
    "short.csv": "unit,time (h),output\n1,0,1.0\n1,10,0.9\n",
    "semicolons.csv": "unit;time (h);failed\n1;5;1\n",
    "foreign/letter.txt": "mine",
}

_OF_ANY = {
    "nowhere.toml": "nowhere.toml: there is no such file; check the path",
    ".": ".: is a folder; name the file in it",
    "broken.toml": "broken.toml: is not TOML",
    "reversed.toml": '[load] range = "60 N to 2 N": the range is reversed; write "2 N to 60 N"',
    "empty.toml": "empty.toml: [load]: missing",
    "case.toml --change foo": "--change 'foo': write KEY=VALUE",
    "case.toml --change circuit.feedbak=3": '[circuit] feedbak = 3: unknown key; did you mean "feedback"?',
    "case.toml --out foreign": "foreign: holds files that no earlier report wrote (letter.txt)",
}
"""Words of a command that takes a case, and what is said of them."""

SAID: dict[str, dict[str, str]] = {
    "size": {
        **_OF_ANY,
        "case.toml --option nope": "no calibration option 'nope'; there are 'none', 'one-point'",
        "case.toml --parts binary.toml": "binary.toml: is UTF-16 or UTF-32 text, or no text at all; save it as UTF-8",
        "case.toml --parts parts.toml": "parts.toml: resistor.range",
        "case.toml --supply 3": "supply '3': a voltage needs a unit; write for example 3.3 V",
        "case.toml --supply=-3V": "supply: -3 V; state a voltage above 0 V, such as 3.3 V",
        "case.toml --share 120%": "120 %; state from 50 % to below 100 %",
    },
    "improve": {
        **_OF_ANY,
        "case.toml --measures nowhere.toml": "nowhere.toml: there is no such file",
        "case.toml --measures measures.toml": 'measures.toml: [measure 1] name = "nothing": changes nothing',
        "case.toml --measures foreign": "foreign: is a folder; name the file in it",
        "case.toml --draft case.toml": "--draft case.toml: is a file that is read here; name another",
    },
    "plan": {
        **_OF_ANY,
        "case.toml --seconds=-1": "seconds = -1.0 lies below 0: give the time allowed for a unit, such as 40",
        "case.toml --seconds nan": "seconds = nan is not a time",
        "case.toml --units 5": "units = 5: give a whole number of units from 100 to 100000000",
    },
    "accept": {
        **_OF_ANY,
        "case.toml --risk 150%": "risk must lie between 0 % and 100 % (got 1.5): write for example '1 %' or 0.01",
        "case.toml --test-load 5": "test load '5': a force needs a unit; write for example \"10 N\"",
        "case.toml --test-load 90N": "test load 90 N lies outside the load range, 2 N to 60 N; test within it",
        "case.toml --cost-bad 5": "lowest cost needs both costs: state cost_bad",
    },
    "overturn": {
        **_OF_ANY,
        "case.toml --option nope": "no calibration option 'nope'; there are 'none', 'one-point'",
        "case.toml --units 5": "Invalid value for '--units': 5 is not in the range",
    },
    "age": {
        **_OF_ANY,
        "case.toml --years nan": "years must lie above 0 and up to 100 (got nan)",
        "case.toml --age 5N": 'age \'5N\': "N" is a unit of force, time is needed; write for example "1000 h"',
        "case.toml --every abc": "every 'abc': a number is needed before \"abc\"; write for example '1000 h'",
    },
    "diagnose": {
        "nowhere.csv --case case.toml": "nowhere.csv: there is no such file",
        "foreign --case case.toml": "foreign: a folder, not a file; name the file in it",
        "proto.csv": "no baseline: give the case of the prototype",
        "proto.csv --case broken.toml": "broken.toml: is not TOML",
        "foo.csv --case case.toml": 'such as --column load="foo in N"',
        "words.csv --case case.toml": "column 'conductance_S': not a number (got 'abc')",
        "proto.csv --case case.toml --option nope": "no calibration option 'nope'; there are 'none', 'one-point'",
        "proto.csv --case case.toml --sensor Q": "proto.csv: no sensor 'Q'; there are 'P'",
        "proto.csv --case case.toml --interface Q": "proto.csv: no interface 'Q'; there are 'unstated'",
        "proto.csv --case case.toml --circuits nowhere.toml": "nowhere.toml: there is no such file",
        "proto.csv --case case.toml --mapping case.toml": "case.toml: not tables of a mapping",
        "proto.csv --case case.toml --column load": "--column 'load': write FIELD=COLUMN",
        "proto.csv --baseline case.toml": "case.toml: [model]: missing; this is no fitted model",
    },
    "qualify": {
        "--reliability 150%": "'150%' is no share between 0 and 1: write it like '95 %' or 0.95",
        "--confidence 1": "'1' is no share between 0 and 1",
        "--shape=-1": "the shape is -1; it must be above 0 and finite, such as 1",
        "--duration 2": "the duration is 2: a test of another duration than one life needs the shape",
        "--duration 0": "the duration is 0; state lives of the test, above 0 and finite, such as 1",
        "--duration nan --shape 2": "the duration is nan; state lives of the test",
        "--duration 2 --shape 1e9": "no unit would survive it; state another duration",
        "--failures=-1": "Invalid value for '--failures': -1",
        "--failed 3": "--failed 3: of how many? State the units of the test by --tested",
        "--tested 5 --failed 6": "6 of 5 units cannot have failed; state all units that were tested",
        "--out foreign": "foreign: holds files that no earlier report wrote (letter.txt)",
    },
    "endurance": {
        "nowhere.csv": "nowhere.csv: there is no such file; check the path",
        "foreign": "foreign: is a folder; name the file in it",
        "binary.toml": "binary.toml: is UTF-16 or UTF-32 text",
        "empty.toml": "empty.toml: is empty; write, separated by commas, the columns unit",
        "foo.csv": 'foo.csv: columns = "foo,bar": are not those of lives or of a drift; write',
        "semicolons.csv": 'columns = "unit;time (h);failed": are not those of lives or of a drift',
        "header.csv": "header.csv: has no line below its columns; write one a unit or reading",
        "no_unit.csv": "no_unit.csv: time: states no unit; write",
        "negative.csv": 'negative.csv: line 2 = "-5": is no time; write 0 or more',
        "flags.csv": 'flags.csv: line 2 = "maybe": does not state whether the unit failed; write 1, or 0',
        "survivors.csv": "survivors.csv: 0 of 2 units failed: a distribution is fitted to 2 or more",
        "twice.csv": 'twice.csv: line 3 = "1": has a line before; one line a unit',
        "short.csv": "short.csv: unit 1: 2 readings over 1 decades of age give no rate with its error; three readings",
    },
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the commands read."""
    place = tmp_path_factory.mktemp("desk")
    (place / "foreign").mkdir()
    for name, content in FILES.items():
        (place / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return place


def held(folder: Path) -> dict[str, bytes]:
    """All files below a folder."""
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("command", SAID)
def test_each_gets_one_clear_message(command: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten or more bad inputs of a command: what is wrong, where and how to mend it, exit code 2, nothing written."""
    monkeypatch.chdir(folder)
    before = held(folder)
    assert len(SAID[command]) >= 10
    for words, said in SAID[command].items():
        found = CliRunner().invoke(cli, [command, *words.split()])
        assert found.exit_code == BAD_INPUT, (words, found.output)
        assert said in found.output, (words, found.output)
        assert "Traceback" not in found.output and len(found.output) < 1500
        assert len(found.output.split(said)) == 2, found.output
    assert held(folder) == before
