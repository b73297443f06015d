import pytest

from olivetime.harvest.grades import STANDARD_NAMES, grade, standards_table


def test_every_limit_names_its_source_and_standard():
    table = standards_table()
    assert (table["source"].str.len() > 20).all()
    assert not table.duplicated(["standard", "grade", "quantity"]).any()
    assert set(table["operator"]) == {"<=", "<", ">"}


def test_strict_limit_refuses_the_limit_itself():
    assert grade("California seal", free_acid_pct=0.49).grade == "extra virgin"
    assert grade("California seal", free_acid_pct=0.50).grade == "below extra virgin"


def test_sign_of_delta_k_does_not_matter():
    assert (
        grade("EU 2019", delta_k=-0.02, fruity_median=1).grade
        == grade("EU 2019", delta_k=0.02, fruity_median=1).grade
    )


def test_what_was_not_tested_is_listed():
    result = grade("EU 2019", free_acid_pct=0.3, k232=float("nan"))
    assert result.grade == "extra virgin"
    assert set(result.not_tested) == {
        "peroxide_meq_kg",
        "k232",
        "k270",
        "delta_k",
        "defects_median",
        "fruity_median",
    }


def test_unknown_standard_is_refused_with_the_names():
    with pytest.raises(ValueError, match="expected one of EU 2019"):
        grade("EU", free_acid_pct=0.3)
    assert "EU 2008" in STANDARD_NAMES


def test_no_value_is_refused():
    with pytest.raises(ValueError, match="no measured value"):
        grade("EU 2019")
