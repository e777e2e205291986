"""Errors name parameters, and each surface names them its own way; they survive the way between processes."""

import pickle

import pytest

from visioncheck.cli import main
from visioncheck.errors import InputError, UserError
from visioncheck.measuring.options import read_piece_options
from visioncheck.present.naming import error_sentence


def test_each_surface_names_the_parameter():
    error = InputError("turned_half", "<turned_half> goes with <piece=gap>")
    assert str(error) == "turned_half goes with piece='gap'"
    assert error_sentence(error, "python") == f"{error}."
    assert error_sentence(error) == "--turned-half goes with --piece gap."
    assert error_sentence(error, "page") == "The half turned over goes with kind of piece: two halves butted."


def test_it_is_the_same_in_another_process():
    error = pickle.loads(pickle.dumps(InputError("cuts", "<cuts> is 1")))  # noqa: S301 - our own
    assert (error.parameter, str(error)) == ("cuts", "cuts is 1")


def test_the_page_names_no_photo_and_every_surface_ends_the_sentence():
    errors = [
        UserError("the file is empty").of("a.jpg"),
        InputError("fence_edge", "say <fence_edge> too").of("a.jpg", "b.jpg"),
    ]
    for error in (*errors, *(pickle.loads(pickle.dumps(each)) for each in errors)):  # noqa: S301 - our own
        named = " and ".join(error.photos)
        assert error_sentence(error).startswith(f"{named}: ")
        assert str(error).startswith(f"{named}: ")
        assert "jpg" not in error_sentence(error, "page")
    assert error_sentence(errors[0], "page") == "The file is empty."
    assert error_sentence(errors[1]) == "a.jpg and b.jpg: say --fence-edge too."


def test_what_was_typed_is_named(capsys):
    with pytest.raises(InputError, match=r"^fence_edge 'front' is not known; choose one of top") as refused:
        read_piece_options(fence_edge="front")
    assert refused.value.parameter == "fence_edge"
    assert main(["reckon", "--rear", "20", "--front", "21"]) == 2
    assert capsys.readouterr().err == "visioncheck: --rear also needs --length.\n"
