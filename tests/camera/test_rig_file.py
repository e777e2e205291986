"""The rig file comes back as it was written; damaged, it says so in one sentence."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.camera.scene import LENS
from visioncheck.camera.rig import Rig, save_rig
from visioncheck.camera.rig_file import load_rig
from visioncheck.camera.steadiness import Steadiness, held
from visioncheck.errors import UserError

DAMAGE = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def small_rig():
    n = 12
    rng = np.random.default_rng(0)
    root = rng.normal(0, 1e-3, (8 + 3 * n, 8 + 3 * n))
    return Rig(
        lens=LENS,
        paper="a4",
        field="light",
        sheet=np.zeros(n, int),
        index=np.arange(n),
        points_mm=rng.uniform(0, 200, (n, 3)),
        covariance=root @ root.T,
        scale_u_rel=5e-4,
        ruled_mm=310.5,
        residual_px=0.03,
        photos=8,
        make="Example",
        model="Phone Q",
        focal_mm=5.4,
        date="2030-01-02T03:04:05+00:00",
        steadiness=Steadiness(3.0, 8.0, 0.5, 4e-4, 1.5e-4, 0.16),
        noise_ratio=1.2,
    )


@pytest.fixture
def written(tmp_path):
    save_rig(small_rig(), tmp_path / "rig.json")
    return tmp_path / "rig.json"


def test_it_comes_back_as_written(written):
    before, after = small_rig(), load_rig(written)
    assert np.array_equal(after.lens.terms, before.lens.terms)
    assert np.allclose(after.points_mm, before.points_mm, atol=1e-6)
    assert np.allclose(after.covariance, before.covariance, rtol=1e-6, atol=1e-12)
    assert np.array_equal(after.covariance, after.covariance.T)
    for name in (
        "paper",
        "field",
        "scale_u_rel",
        "ruled_mm",
        "residual_px",
        "photos",
        "make",
        "model",
        "date",
        "steadiness",
        "noise_ratio",
    ):
        assert getattr(after, name) == getattr(before, name)
    assert (after.steadiness, after.noise_ratio) == (before.steadiness, before.noise_ratio)
    assert [path.name for path in written.parent.iterdir()] == ["rig.json"]


def refused_or_whole(path):
    """A rig, or one sentence that names the file; anything else escapes and fails the test."""
    try:
        rig = load_rig(path)
    except UserError as error:
        said = str(error)
    else:
        assert np.all(np.isfinite(rig.covariance))
        assert np.all(np.isfinite(rig.points_mm))
        return
    assert str(path) in said
    assert "\n" not in said


@DAMAGE
@given(data=st.data())
def test_flipped_cut_and_foreign_bytes(written, data):
    whole = written.read_bytes()
    at = data.draw(st.integers(0, len(whole) - 1))
    kind = data.draw(st.sampled_from(["cut", "replace", "insert"]))
    junk = data.draw(st.binary(min_size=1, max_size=8))
    damaged = {
        "cut": whole[:at],
        "replace": whole[:at] + junk + whole[at + len(junk) :],
        "insert": whole[:at] + junk + whole[at:],
    }[kind]
    path = written.with_name("damaged.json")
    path.write_bytes(damaged)
    refused_or_whole(path)


ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from([1e300, -1, 2**70, "", "AAAA", "é", {}, []])
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@DAMAGE
@given(data=st.data())
def test_any_value_under_any_key(written, data):
    content = json.loads(written.read_text())
    key = data.draw(st.sampled_from(sorted(content)))
    value = data.draw(ANYTHING)
    if isinstance(content[key], list) and content[key] and data.draw(st.booleans()):
        content[key][data.draw(st.integers(0, len(content[key]) - 1))] = value
    elif isinstance(content[key], dict) and data.draw(st.booleans()):
        content[key][data.draw(st.sampled_from(sorted(content[key])))] = value
    else:
        content[key] = value
    path = written.with_name("damaged.json")
    path.write_text(json.dumps(content))
    refused_or_whole(path)
    # the keys' own checks, where the digest fits
    sealed(path, content)
    refused_or_whole(path)


def sealed(path, content):
    """Write `content` with the digest that belongs to it."""
    rest = {key: value for key, value in content.items() if key != "digest"}
    compact = json.dumps(rest, separators=(",", ":"))
    digest = hashlib.sha256(compact.encode()).hexdigest()
    path.write_text(json.dumps({**rest, "digest": digest}))


@pytest.mark.parametrize(
    ("key", "place", "value"),
    [
        ("points_mm", (3, 0), 12.5),
        ("lens", ("k1",), 0.031),
        ("lens", ("f",), 2951.0),
        ("index", (0,), 5),
        ("scale_u_rel", (), 4e-4),
    ],
)
def test_one_changed_number_is_noticed(written, key, place, value):
    content = json.loads(written.read_text())
    inner = content
    for step in (key, *place)[:-1]:
        inner = inner[step]
    inner[(key, *place)[-1]] = value
    written.write_text(json.dumps(content))
    with pytest.raises(UserError, match="digest"):
        load_rig(written)


@pytest.mark.parametrize("key", ["sheet", "index", "picture_px"])
@pytest.mark.parametrize("value", [1e300, -1e300, 2**70, -1, 2.5])
def test_numbers_no_integer_can_hold(written, key, value):
    content = json.loads(written.read_text())
    content[key][0] = value
    sealed(written, content)
    with pytest.raises(UserError, match=key):
        load_rig(written)


def test_a_rig_of_before_photos_had_a_geometry_of_their_own_still_loads(written):
    content = json.loads(written.read_text())
    content["schema"] = 1
    del content["steadiness"], content["noise_ratio"]
    sealed(written, content)
    rig = load_rig(written)
    assert rig.steadiness == held(LENS.width, LENS.height)  # whoever took it
    assert rig.noise_ratio == 1


@pytest.mark.parametrize(
    "key", ["steadiness", "lens", "points_mm", "covariance_lower_f4", "paper", "sheet", "picture_px", "schema"]
)
def test_a_missing_key_is_named(written, key):
    content = json.loads(written.read_text())
    del content[key]
    written.write_text(json.dumps(content))
    with pytest.raises(UserError, match=key):
        load_rig(written)


@pytest.mark.parametrize("text", ["", "[]", "null", "{", '{"kind": 1}', "[" * 100_000, "\x00", "1" * 10_000])
def test_what_is_no_rig_file_at_all(tmp_path, text):
    path = tmp_path / "rig.json"
    path.write_text(text)
    with pytest.raises(UserError, match="rig"):
        load_rig(path)


def test_no_file_and_a_folder(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(UserError, match="cannot be read"):
            load_rig(path)
