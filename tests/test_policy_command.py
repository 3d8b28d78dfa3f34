"""The command that prints and writes the policy."""

from typer.testing import CliRunner

from audit.cli import app
from audit.policy import load_policy


def cli(*words):
    return CliRunner().invoke(app, ["policy", *map(str, words)])


def test_the_copy_is_written_once_and_loads_as_the_defaults(tmp_path):
    mine = tmp_path / "mine.toml"
    assert cli("--write", mine).exit_code == 0
    assert load_policy(mine) == load_policy()
    again = cli("--write", mine)
    assert again.exit_code == 2
    assert "exists already" in again.output


def test_a_programmes_own_values_are_checked_and_shown(tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(
        "[hanging.hang_powder_h]\nvalues = [{from = 2026-10-15, value = 3}]\n", encoding="utf-8"
    )
    after, before = (cli("--policy", mine, "--period", month) for month in ("2026-10", "2026-09"))
    assert "# default: 4\nvalue = 3\n" in after.output
    assert "# default: 4\nvalue = 3\n" not in before.output
    mine.write_text("[hanging.hang_powder_h]\nvalue = 99\n", encoding="utf-8")
    refused = cli("--policy", mine)
    assert refused.exit_code == 2
    assert "mine.toml, line 2: hanging.hang_powder_h: found 99; expected a number in h from" in (
        refused.output
    )
