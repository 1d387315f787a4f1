"""``thermosprout lot``: a germination test, a packet or a year in, viability with interval out."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.errors import InputError

runner = CliRunner()


def document(*words: str):
    result = runner.invoke(app, ["lot", *words, "--on", "2026-04-01", "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_counts_by_day_give_viability_and_vigour():
    found = document("onion", "--counts", "3:12,4:60,6:82,10:86", "--tested", "100")
    now = found["viability"][0]
    assert now["on"] == "2026-04-01"
    assert now["low"] < 0.86 < now["high"]
    assert now["estimate"] == pytest.approx(0.86, abs=0.01)
    assert found["slower_pct"]["low"] < found["slower_pct"]["estimate"]


def test_viability_falls_with_the_years_in_the_store():
    shares = [
        row["estimate"]
        for row in document("leek", "--tested", "50", "--germinated", "45")["viability"]
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.7 * shares[0]
    cold = document(
        "leek", "--tested", "50", "--germinated", "45", "--storage", "fridge with desiccant"
    )
    assert cold["viability"][-1]["estimate"] > shares[-1] + 0.2


def test_a_packet_without_a_year_ages_from_today():
    shares = [row["estimate"] for row in document("leek", "--germination", "0.9")["viability"]]
    assert shares[0] == pytest.approx(0.9, abs=0.02)
    assert shares[-1] < 0.7


def test_replicates_that_disagree_warn():
    """7 CFR 201.55(a): 12 points are the most at a mean of 89 % of four hundreds."""
    words = [w for text in ("90/100", "72/100", "95/100", "96/100") for w in ("--replicate", text)]
    result = runner.invoke(app, ["lot", "snap bean", *words, "--json"])
    assert "24 percentage points apart" in result.stderr
    assert json.loads(result.stdout)["warnings"]


def test_a_slow_lot_is_called_slow():
    quick = document("lettuce", "--counts", "1:40,2:95", "--tested", "100")["slower_pct"]
    slow = document("lettuce", "--counts", "3:5,5:40,7:80,9:80", "--tested", "100")["slower_pct"]
    assert slow["low"] > 0 > quick["high"] or slow["low"] > quick["high"]
    text = runner.invoke(
        app, ["lot", "lettuce", "--counts", "3:5,5:40,7:80,9:80", "--tested", "100"]
    ).stdout
    assert "Slower than a usual lot" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("onion", "--counts", "3:12"), "needs --tested"),
        (("onion", "--counts", "3-12", "--tested", "50"), "day:count"),
        (("onion", "--tested", "50"), "belong together"),
        (("onion", "--counts", "3:60", "--tested", "50"), "60 of 50"),
        (("onion", "--counts", "3:6,3:7", "--tested", "50"), "must rise"),
        (("onion", "--replicate", "20"), "germinated/tested"),
        (("onion", "--tested-on", "1 May"), "is not a date"),
        (("onions and leeks",), "there is no crop"),
        (("carrot", "--germinated", "37", "--tested", "50", "--germination", "0.9"), "one of them"),
        (("carrot", "--counts", "5:9", "--tested", "50", "--germination", "0.9"), "one of them"),
        (("carrot", "--year", "2034"), "--year 2034 lies after 2026-04-01"),
        (("carrot", "--germination", "0.9", "--tested-on", "2026-05-01"), "2026-05-01 lies"),
    ],
)
def test_wrong_input_is_one_sentence(words, said):
    with pytest.raises(InputError) as caught:
        runner.invoke(app, ["lot", *words, "--on", "2026-04-01"], catch_exceptions=False)
    assert said in str(caught.value)


def test_a_share_and_the_number_tested_are_a_count():
    share = document("carrot", "--germination", "0.74", "--tested", "50")
    count = document("carrot", "--germinated", "37", "--tested", "50")
    assert share["viability"] == count["viability"]
