"""A few builds of `tests/benchmarks/tune_hard.py`: none is dark in truth or far above the least."""

import pytest

from benchmarks.tune_hard import TOO_MUCH, Row, run, table

NAN = float("nan")


@pytest.mark.parametrize(("family", "seed"), [("loose", 5), ("room", 1), ("tight", 1)])
def test_a_build_made_to_mislead_is_lit_in_truth(family: str, seed: int) -> None:
    row = run(family, seed)
    assert not row.dark
    assert not row.ratio > TOO_MUCH


def test_the_table_counts_what_is_wrong() -> None:
    def row(share: float, duty: float, least: float, refused: str = "") -> Row:
        return Row("loose", 1, "", refused, share, duty, least, 165e3, 165e3, 0.01, 90, "light 1")

    rows = [row(0.99, 0.1, NAN), row(1.2, 0.1, 0.05), row(1.2, 0.1, NAN), row(NAN, NAN, 0.1, "no")]
    assert [r.dark for r in rows] == [True, False, False, False]
    assert "| loose | 4 | 3 | 1 | 1 | 1 (2.00) | 90 (90) |" in table(rows)
