"""Several measurements as one from Python, and a sled as its log has it."""

from __future__ import annotations

import pytest

import visioncheck
from visioncheck import InputError
from visioncheck.fence.pooled import Seen, pool

SLED = "fixtures/sleds/alder-lane.toml"


def strip(rear, **changes):
    return visioncheck.compute(rear=rear, front="30.10mm", length="300mm", sled=SLED, **changes)


def test_pooled_like_the_mathematics():
    each = [strip(rear) for rear in ("30.42mm", "30.45mm", "30.40mm")]
    found = visioncheck.pool(each)
    same = pool([Seen(one.value, str(k)) for k, one in enumerate(each)])
    assert found.value == same.error
    assert found.pooled.pieces == 3
    assert found.verdict is not None
    assert found.to_dict()["kind"] == "pooled"
    assert found.to_dict()["correction"]["advice"] == found.correction.advice
    assert "3 pieces" in str(found)
    assert found.render().startswith(b"\x89PNG")
    assert "<" in found._repr_html_()


@pytest.mark.parametrize(
    ("given", "match"),
    [
        (list, "empty"),
        (lambda: ["x"], "'x'"),
        (lambda: [visioncheck.compute(taper="1mm/m"), strip("30.4mm")], "different sleds"),
        (lambda: [visioncheck.compute(taper="1mm/m")], "no fence error"),
    ],
)
def test_what_cannot_be_pooled_is_named(given, match):
    with pytest.raises(InputError, match=match):
        visioncheck.pool(given())


def test_a_log_says_how_a_sled_stands(tmp_path):
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        log.add(strip("30.42mm"))
        assert log.pooled("Alder Lane").readings == 1
        assert log.now("Alder Lane").correction.now.verdict is not None
        with pytest.raises(InputError, match="no readings"):
            log.now("Nobody")
