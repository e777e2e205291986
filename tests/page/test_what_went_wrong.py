"""What once went wrong at the saw, or was unclear there, and the test that would see it come back."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

WRONG_OR_LOST = {
    "halves and slot boards had no kind of their own": "test_two_halves_are_asked_about_as_such",
    "a photo sent twice made a new correction": "test_a_photo_sent_twice_is_one_reading_and_keeps_what_was_told",
    "one full disk ended the workers": "test_a_full_disk_while_answers_are_written_ends_nothing",
    "a refused photo left no trace": "test_what_was_sent_leaves_a_trace_on_the_start_and_in_the_log",
    "the waiting page never noticed a dead network": "test_a_waiting_page_says_when_nobody_answers_or_knows_it",
    "another phone's photo could not be measured": "test_the_survey_is_found_by_phone_and_sheet_as_in_a_batch",
    "units, back or another photo dropped what was typed":
        "test_what_was_typed_stays_over_a_change_of_units_back_and_the_choice_of_another_photo",
    "a survey took a photo with a piece on it":
        "test_a_photo_with_a_piece_on_it_or_of_before_is_no_photo_of_the_bare_sheet",
    "a survey could not lose one photo, and lost all at one tap":
        "test_one_photo_goes_alone_and_all_go_in_two_steps",
    "a misread rule was read as loss": "test_a_rule_that_was_misread_is_told_before_and_loses_nothing",
    "opening the address again lost the survey": "test_coming_in_again_by_the_address_finds_the_survey_as_it_was",
    "a second upload won, and there was no cancel":
        "test_while_a_photo_is_sent_nothing_else_can_be_and_it_can_be_cancelled",
    "more uploads than the bound": "test_many_at_once_do_not_get_past_the_bound",
    "charts starved the check of a photo": "test_charts_do_not_hold_up_a_photo",
    "idle connections locked everyone out": "test_idle_connections_lock_nobody_out",
    "a long boundary was a traceback": "test_a_boundary_longer_than_the_standard_allows_is_no_form",
    "an answer waited for the network's buffer": "test_an_answer_is_sent_at_once",
    "the code's blocks crashed a terminal": "test_a_terminal_without_half_blocks_gets_a_code_of_plain_signs",
    "the key lay in the log's folder": "test_the_key_does_not_lie_in_the_log_that_people_copy",
    "what lay beside the key was for all to read": "test_the_key_is_its_owners_alone_and_stays",
    "a sending that broke off said nothing":
        "test_a_broken_sending_is_repeated_by_itself_and_makes_one_reading",
    "a stall said nothing": "test_a_stall_says_that_nothing_gets_through",
}  # fmt: skip
UNCLEAR = {
    "the zigzag without its caption, a picture without a way back, the next step screens down":
        "test_the_picture_is_seen_large_with_a_way_back_and_the_next_step_stands_first",
    "two main buttons on a question": "test_a_question_has_one_main_button",
    "ends of a strip that the picture does not name":
        "test_all_that_a_strip_lacks_is_asked_at_once_also_of_a_reading_that_is_not_the_newest",
    "a decimal comma here and not there": "test_a_decimal_comma_is_taken_in_every_field",
    "no number keys": "test_a_phone_shows_number_keys_where_numbers_are_typed",
    "long names scrolled sideways, charts were white at night":
        "test_a_long_name_does_not_scroll_sideways_and_a_chart_is_dark_at_night",
    "waiting photos all alike": "test_several_phones_are_served_in_turn_and_see_their_place",
    "an end's name stood under the arrow": "test_the_arrow_moves_the_drawn_fence_square_again",
    "a mistake was said far from its field": "test_a_mistake_is_said_beside_its_field_and_described_by_it",
    "one bare word instead of what to do": "test_a_wrong_token_says_what_to_do",
}  # fmt: skip


@pytest.mark.parametrize("name", [*WRONG_OR_LOST.values(), *UNCLEAR.values()])
def test_there_is_such_a_test(name):
    every = "".join(path.read_text("utf-8") for path in Path(__file__).parents[1].rglob("test_*.py"))
    assert re.search(rf"^def {name}\(", every, re.MULTILINE)
