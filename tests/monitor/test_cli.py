"""The command line from outside: mistakes are one sentence with exit code 2, and every help has an example."""

from pathlib import Path

import pytest
import typer

from monitor.cli import app, main

PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
rows = [{ at = "145 °F", for = "4 min" }]
source = "invented for this test"
"""


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Run the command as the shell does: exit code, standard output, standard error."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["larderer", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    plan, readings = tmp_path / "plan.toml", tmp_path / "readings.csv"
    plan.write_text(PLAN, encoding="utf-8")
    rows = [f"2026-03-02T18:{minute:02}:00Z,core-1,63" for minute in range(10)]
    readings.write_text("\n".join(["time,probe,value", *rows]) + "\n", encoding="utf-8")
    return plan, readings


MISTAKES = {
    "no command of that name": (("rehash",), "No such command 'rehash'; larderer --help"),
    "no such command of a group": (("plan", "weigh"), "No such command 'weigh'; larderer plan --help"),
    "a slip of the finger": (("plan", "shett"), "No such command 'shett'. Did you mean 'sheet'? larderer plan --help"),
    "an argument left out": (("judge",), "Missing argument 'plan'; larderer judge --help"),
    "an unknown option": (("judge", "a", "b", "--loud"), "No such option: --loud; larderer judge --help"),
    "an option that is no number": (("demo", "--speed", "fast"), "Invalid value for '--speed'"),
    "a plan that is not there": (("judge", "none.toml", "none.csv"), "none.toml cannot be read as a plan"),
    "a configuration that is not there": (("probes", "--config", "none.toml"), "none.toml: cannot be read"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_mistake_on_the_command_line_is_one_sentence(call, mistake):
    """One line on standard error, exit code 2, and nothing on standard output."""
    words, says = MISTAKES[mistake]
    code, out, err = call(*words)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert says in err


def test_disk_that_refuses_is_one_sentence(call, files, tmp_path):
    """What the operating system refuses is told, not traced."""
    plan, _ = files
    (tmp_path / "larderer.toml").write_text(f'plan = "{plan.name}"\ndata = "readings.csv/data"\n', encoding="utf-8")
    code, out, err = call("user", "add", "Odile Marsh", "--config", tmp_path / "larderer.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "Not a directory" in err


def test_every_help_has_an_example(call):
    """Commands and groups alike."""
    commands = [()]
    for info in app.registered_commands:
        assert info.callback is not None
        commands.append((info.name or info.callback.__name__,))
    for group in app.registered_groups:
        assert isinstance(group.typer_instance, typer.Typer)
        commands.append((str(group.name),))
        commands += [(str(group.name), str(info.name)) for info in group.typer_instance.registered_commands]
    assert len(commands) > 15
    for words in commands:
        code, out, _ = call(*words, "--help")
        assert code == 0
        assert "Example: larderer" in out, words


def test_exit_code_says_what_was_found(call, files):
    """0: all met; 3: still open, as of an instant before the hold; 2: a bad row."""
    plan, readings = files
    assert call("judge", plan, readings)[0] == 0
    assert call("judge", plan, readings, "--at", "2026-03-02T18:02:00Z")[0] == 3
    readings.write_text("time,probe,value\n2026-03-02T18:00:00Z,core-1,warm\n", encoding="utf-8")
    assert call("judge", plan, readings)[0] == 2


def test_refused_event_names_its_file(call, files, tmp_path):
    """Files are many; the sentence says which one to open."""
    plan, readings = files
    events = tmp_path / "events.csv"
    events.write_text("time,event,lot,name,value\n2026-03-02T18:00:00Z,end,J-1,,\n", encoding="utf-8")
    code, out, err = call("judge", plan, readings, "--events", events)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(f"{events}: event end of lot J-1 at 2026-03-02T18:00:00Z: lot J-1 was not started")


def test_rooms_alone_are_judged_without_events(call, files):
    """A plan that only watches rooms has no lot to start."""
    plan, readings = files
    room = '[[room]]\nid = "cooler-1"\nkind = "cooler"\n'
    room += '[[standing]]\nroom = "cooler-1"\n[[standing.limit]]\nname = "air"\nkind = "ceiling"\nplace = "cooler"\nmax = "40 °F"\n'
    text = PLAN.split("[[product]]", maxsplit=1)[0].replace('place = "core"', 'place = "cooler"\nroom = "cooler-1"')
    plan.write_text(text + room, encoding="utf-8")
    code, out, _ = call("judge", plan, readings)
    assert code == 1
    assert "room cooler-1 on 2026-03-02: air DEVIATED" in out


def test_nothing_judged_is_not_told_as_met(call, files):
    """Before the first reading there is no lot, and the text says so."""
    plan, readings = files
    _, out, _ = call("judge", plan, readings, "--at", "2026-03-01T00:00:00Z")
    assert out.startswith("Nothing was judged")


def test_plan_with_a_byte_order_mark_is_read(call, files):
    """Editors that write one write it into plans too."""
    plan, readings = files
    plan.write_text("\ufeff" + PLAN, encoding="utf-8")
    assert call("judge", plan, readings)[0] == 0
