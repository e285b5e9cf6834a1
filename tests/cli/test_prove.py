"""refettle prove: sentences, exit status, one clear line."""

from __future__ import annotations

import json

import pytest

from refettle.cli.main import main


def out(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(["prove", *words]) == status
    return capsys.readouterr().out


def test_how_many_after_a_count(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "--before", "3/10")
    assert text.startswith("Wanted: 25 good trials in a row show a failure rate below 11.6 % (3 bad of 10 before")
    assert "shown by 11 good in a row (Boschloo" in text


def test_what_may_be_claimed_at_any_moment(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "--before", "3/10", "--good", "12", "--under", "cold", status=1)
    assert "May be claimed: 12 good of 12, cold: failure rate below 22.1 % at 95 % confidence" in text
    assert text.rstrip().split("\n")[-2] == "Not shown yet: 13 more good in a row."
    assert "That shows it." in out(capsys, "--before", "3/10", "--good", "25")
    failed = out(capsys, "--before", "3/10", "--good", "12", "--bad", "1", status=1)
    assert "44 more good in a row (more were bad, or more tried, than planned; do not start the count again)" in failed
    allowed = out(capsys, "--rate", "5%", "--allow", "1", "--good", "60", "--bad", "1", status=1)
    assert "Not shown yet: 32 more trials, at most 1 bad in all." in allowed
    assert "That shows it." in out(capsys, "--rate", "0.05", "--allow", "1", "--good", "92", "--bad", "1")


def test_a_second_repair_must_show_more(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "--before", "3/10", "--good", "25", "--tried", "2", status=1)
    assert "failure rate below 13.8 % at 95 % confidence over the 2 series tried" in text
    assert "As the only repair tried it would be 11.3 %." in text
    assert "Not shown yet: 5 more good in a row." in text


def test_positions(capsys: pytest.CaptureFixture[str]) -> None:
    assert out(capsys, "--compare", "0/20,4/20").startswith("0 bad of 20 fails less than 4 bad of 20")
    assert "is not shown to fail less" in out(capsys, "--compare", "0/10,3/10", status=1)
    assert "position 2: 9 bad of 20, others 3 bad of 40: fails more" in out(capsys, "--compare", "2/20,9/20,1/20")


def test_sequential(capsys: pytest.CaptureFixture[str]) -> None:
    start = out(capsys, "--p0", ".02", "--p1", ".2", "--alpha", ".05", "--beta", ".1")
    assert start.startswith("Go on: nothing tried yet; 12 good in a row would pass, 2 bad in a row would fail")
    assert "with a number fixed in advance: 18 trials, at most 1 bad" in start
    assert out(capsys, "--p0", "2%", "--p1", "20 %", "--good", "12").startswith("Pass: 0 bad of 12 agrees")
    assert out(capsys, "--p0", "2%", "--p1", "20%", "--bad", "2", status=1).startswith("Fail: 2 bad of 2")


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(out(capsys, "--before", "3/10", "--confidence", "95", "--good", "12", "--json", status=1))
    assert found["need"]["trials"] == 25
    assert found["claim"]["counts"] == {"bad": 0, "tries": 12}
    assert (found["shown"], found["more"]) == (False, 13)
    assert found["against_before"]["boschloo"] < 0.05
    compared = json.loads(out(capsys, "--compare", "0/10,4/10", "--json"))
    assert compared["boschloo"] == pytest.approx(0.0211, abs=1e-4)
    decided = json.loads(out(capsys, "--p0", "2%", "--p1", "20%", "--good", "12", "--json"))
    assert decided["decision"]["says"] == "pass"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "nothing to go by; allowed: --before 3/10"),
        (("--before", "3"), "--before: '3' found; allowed: BAD/TRIES, as 3/10"),
        (("--before", "4/3"), "--before: bad: 4 of 3 found; allowed: 0 to 3"),
        (("--before", "0/10"), "before: 0 bad of 10 found; allowed: at least 1 bad"),
        (("--before", "3/10", "--rate", ".1"), "--before with --rate found; allowed: one of"),
        (("--rate", "5"), "--rate: 5 found; allowed: 0 to 1, or 0% to 100%"),
        (("--rate", "x"), "--rate: "),
        (("--rate", "5%", "--good", "-1"), "--good: -1 found; allowed: 0 or more"),
        (("--rate", "5%", "--confidence", "20"), "confidence: 0.2 found; allowed: 0.5 to 0.9999"),
        (("--good", "5", "--tried", "0"), "--tried: 0 found; allowed: 1 to 1000"),
        (("--p0", "2%"), "--p0 without --p1 found; allowed: both"),
        (("--p0", "20%", "--p1", "2%"), "p0: 0.2 with p1 0.02 found; allowed: p0 below p1"),
        (("--compare", "0/10"), "--compare: '0/10' found; allowed: two or more counts"),
        (("--compare", "0/0,1/2"), "first: 0 trials found; allowed: 1 to 200"),
    ],
)
def test_bad_input_is_one_clear_line(words: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove", *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"refettle: {message}")
    assert error.count("\n") == 1
