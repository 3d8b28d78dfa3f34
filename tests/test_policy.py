"""The policy: every value defended, and a programme's own values validated."""

import pytest

from audit.policy import PolicyError, load_policy

STATUSES = {
    "read",
    "read second-hand",
    "corroborated",
    "from memory",
    "common practice",
}


def test_every_parameter_can_be_defended():
    for parameter in load_policy().parameters.values():
        assert parameter.description
        assert parameter.unit
        assert parameter.source
        assert parameter.status in STATUSES, parameter.name


def test_every_default_lies_in_its_own_accepted_range():
    for parameter in load_policy().parameters.values():
        if parameter.choices:
            assert parameter.value in parameter.choices
        else:
            assert parameter.low <= parameter.value <= parameter.high, parameter.name


def write(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_programmes_value_takes_the_defaults_place_and_is_marked_changed(tmp_path):
    policy = load_policy(write(tmp_path, "[hanging.hang_powder_h]\nvalue = 3\nunit = 'h'\n"))
    assert policy["hang_powder_h"] == 3
    assert policy.parameters["hang_powder_h"].changed
    assert policy.parameters["hang_powder_h"].default == 4
    assert not policy.parameters["hang_blended_h"].changed


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[hanging.hang_powdr_h]\nvalue = 3\n", "no parameter hanging.hang_powdr_h; nearest is"),
        ("[orders.hang_powder_h]\nvalue = 3\n", "no parameter orders.hang_powder_h"),
        ("[hanging.hang_powder_h]\nvalue = 300\n", "found 300; expected a number in h from 1 to 8"),
        ("[hanging.hang_powder_h]\nvalue = 'x'\n", "found 'x'; expected a number in h"),
        ("[hanging.hang_powder_h]\nvalue = true\n", "found True; expected a number in h"),
        ("[hanging.hang_powder_h]\nvalue = 3\nunit = 'min'\n", "unit 'min'; expected 'h'"),
        ("[hanging.hang_powder_h]\nunit = 'h'\n", "has no value"),
        ("[needs]\nenergy_method_adult = 'guess'\n", "expected one of kcal_per_kg"),
        ("hanging = 3\n", "expected [section.NAME]"),
        ("[hanging\n", "not a policy file"),
    ],
)
def test_a_policy_that_cannot_be_used_is_refused_with_where_and_what(tmp_path, text, words):
    with pytest.raises(PolicyError) as refused:
        load_policy(write(tmp_path, text))
    assert words in str(refused.value)
    assert "mine.toml" in str(refused.value)


def test_the_message_names_the_line(tmp_path):
    path = write(tmp_path, "\n\n[hanging.hang_powder_h]\nvalue = 300\n")
    with pytest.raises(PolicyError, match="line 3"):
        load_policy(path)


def test_a_missing_policy_file_is_refused(tmp_path):
    with pytest.raises(PolicyError, match="cannot be read"):
        load_policy(tmp_path / "absent.toml")
