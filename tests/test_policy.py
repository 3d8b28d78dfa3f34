"""The policy: every value defended, and a programme's own values validated."""

import pytest

from audit.period import parse_period
from audit.policy import PolicyError, load_policy, policy_text

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
        ("[hanging.hang_powder_h]\nvalue = nan\n", "found nan; expected a number in h"),
        ("[hanging.hang_powder_h]\nvalue = 3\nvalues = []\n", "has both value and values"),
        ("[hanging.hang_powder_h]\nvalue = 3\nlow = 0\n", "low = 0 is nothing a programme sets"),
        ("[hanging.hang_powder_h]\nvalues = []\n", "found []; expected values = [{from = DAY"),
        (
            "[hanging.hang_powder_h]\nvalues = [{from = '2026', value = 3}]\n",
            "found '2026' for a day such as 2026-01-01",
        ),
        ("[hanging.hang_powder_h]\nvalues = [{from = 2026-01-01, value = 99}]\n", "found 99;"),
        (
            "[hanging.hang_powder_h]\n"
            "values = [{from = 2026-02-01, value = 3}, {from = 2026-01-01, value = 4}]\n",
            "days that do not rise",
        ),
        (
            "[consumables.bag_sets_per_feeding_day]\nvalue = 1\nper = 'feed'\n",
            "per = 'feed' is nothing a programme sets here",
        ),
        (
            "[needs]\nenergy_adult_kcal_per_kg_low = 35\n",
            "found 35; expected at most needs.energy_adult_kcal_per_kg_high, which is 30, and a "
            "number in kcal/(kg.d) from 15 to 40",
        ),
        (
            "[needs]\nfluid_child_share_high_percent = 100\nfluid_child_share_low_percent = 110\n",
            "found 110; expected at most needs.fluid_child_share_high_percent, which is 100",
        ),
        (
            "[life_stage]\nadult_from_years = 21\nchild_from_years = 2\n"
            "[feeding]\nweight_loss_90_days_percent = 3\n",
            "found 3; expected at least feeding.weight_loss_30_days_percent, which is 5",
        ),
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
    with pytest.raises(PolicyError, match="line 4"):
        load_policy(path)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("# hang_powder_h\n[hanging]\nhang_powder_h = 99\n", 3),
        ("[hanging]\nhang_powder_h.unit = 'h'\nhang_powder_h.value = 99\n", 3),
        ("[hanging]\nhang_powder_h = {value = 99}\n", 2),
        ("\n[ hanging . 'hang_powder_h' ]\nunit = 'min'\nvalue = 3\n", 3),
        ("[hanging.hang_powder_h]\nunit = 'h'\n", 1),
        ("[water]\n\n[hanging.powder_hang]\nvalue = 3\n", 3),
        ("[hanging.hang_powder_h]\nvalue = = 3\n", 2),
        ("x = 1\n", 1),
    ],
)
def test_the_line_is_that_of_the_fault(tmp_path, text, line):
    with pytest.raises(PolicyError, match=f"line {line}\\b"):
        load_policy(write(tmp_path, text))


def test_a_copy_loads_as_the_defaults(tmp_path):
    policy = load_policy()
    assert load_policy(write(tmp_path, policy_text(policy))) == policy


def test_a_copy_of_a_programmes_own_policy_loads_as_that(tmp_path):
    own = load_policy(
        write(
            tmp_path,
            "[hanging.hang_powder_h]\nvalue = 3\nsource = 'ours \"2026\"'\n"
            "[needs]\nenergy_method_adult = 'mifflin_st_jeor'\n"
            "[consumables.spare_tubes]\nvalue = 1\nunit = '{piece}/mo'\n"
            "description = 'Tubes'\nsupply_class = 'tube'\nper = 'month'\n"
            "access_routes = ['nasogastric']\n",
        )
    )
    assert load_policy(write(tmp_path, policy_text(own))) == own


def test_a_copy_says_unit_range_source_and_status_of_every_value():
    copy = policy_text(load_policy())
    for parameter in load_policy().parameters.values():
        entry = copy.split(f"[{parameter.section}.{parameter.name}]\n")[1].split("\n\n")[0]
        for words in (parameter.description, parameter.accepted, parameter.source):
            assert words in entry
        assert f"# status: {parameter.status}" in entry


def test_a_changed_value_does_not_keep_the_defaults_source(tmp_path):
    changed = load_policy(write(tmp_path, "[hanging]\nhang_powder_h = 3\nhang_blended_h = 2\n"))
    assert changed.parameters["hang_powder_h"].source == "the programme's own"
    assert changed.parameters["hang_blended_h"] == load_policy().parameters["hang_blended_h"]


@pytest.mark.parametrize(
    ("month", "value"),
    [("2025-12", 4), ("2026-01", 3), ("2026-06", 3), ("2026-07", 2), (None, 2)],
)
def test_a_month_is_audited_by_the_values_then_in_force(tmp_path, month, value):
    """4 is the default; the programme's values hold from the first of January and mid-July."""
    path = write(
        tmp_path,
        "[hanging.hang_powder_h]\nunit = 'h'\n"
        "values = [{from = 2026-01-01, value = 3}, {from = 2026-07-15, value = 2}]\n",
    )
    policy = load_policy(path, month and parse_period(month))
    assert policy["hang_powder_h"] == value
    since = policy.parameters["hang_powder_h"].in_force_from
    assert (since is None) == (value == 4)


def test_contradictions_are_those_of_the_values_in_force(tmp_path):
    path = write(
        tmp_path,
        "[needs]\nenergy_adult_kcal_per_kg_low = 32\n"
        "energy_adult_kcal_per_kg_high.values = [{from = 2026-07-01, value = 35}]\n",
    )
    assert load_policy(path, parse_period("2026-08"))["energy_adult_kcal_per_kg_high"] == 35
    with pytest.raises(PolicyError, match="found 32"):
        load_policy(path, parse_period("2026-06"))


def test_a_missing_policy_file_is_refused(tmp_path):
    with pytest.raises(PolicyError, match="cannot be read"):
        load_policy(tmp_path / "absent.toml")
