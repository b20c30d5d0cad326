"""Moving a position to the line beside it."""

import pytest

from exhaustsim.engine.run import simulate
from exhaustsim.studies.linemoves import LineMove, line_moves, move_sentence, possible_moves, with_move
from exhaustsim.studies.neighbours import over_target


@pytest.fixture(scope="module")
def schedule(schedules):
    return schedules["standard"]


def test_moves_are_those_of_neighbouring_lines(schedule):
    """RX16: G 1 | R 2 to 4 | F1 5 to 8 | F2 9 to 12 | D 13 to 15; line G would be left empty by its only position."""
    assert possible_moves(schedule) == ((2, "G"), (4, "F1"), (5, "R"), (8, "F2"), (9, "F1"), (12, "D"), (13, "F2"))


def test_moves_are_ranked_and_none_helps_todays_card(schedule, runs):
    moves = line_moves(schedule, runs["standard"])
    assert len(moves) == 7
    fit = [move.over_target for move in moves if not move.new_failings]
    assert fit == sorted(fit)
    assert move_sentence(moves) == "Moving one position to the line beside it does not help."


def test_a_badly_mapped_machine_is_put_right(schedule, runs):
    """The flash position on the dirty breakdown line: moving it back to D is the best move, and gives the card its margin again."""
    bad = with_move(with_move(schedule, 13, "F2"), 14, "F2")
    run = simulate(bad)
    assert over_target(run) > 1.0
    moves = line_moves(bad, run)
    assert (moves[0].position, moves[0].to_line) == (14, "D")
    assert moves[0].over_target < over_target(run)
    assert "position 14 from line F2 to D" in move_sentence(moves)


def test_what_came_to_no_result_is_last_and_no_advice():
    lost = LineMove(4, "R", "F1", None, 1.5, ())
    assert lost.gain is None
    assert move_sentence((lost,)) == "Moving one position to the line beside it does not help."


def test_one_move_alone_is_told(schedule, runs):
    """The flash position on the breakdown line spoils the bulb: told against its target, with what is new."""
    (move,) = line_moves(schedule, runs["standard"], moves=[(14, "F2")])
    assert move.over_target > 1.0 > move.before and move.new_failings
    assert move.sentence.startswith("Position 14 from line D to F2: ") and "; new: " in move.sentence
    with pytest.raises(ValueError, match="left without a position"):
        line_moves(schedule, runs["standard"], moves=[(1, "R")])


def test_moves_to_nowhere_are_refused(schedule):
    with pytest.raises(ValueError, match="opens to no line"):
        with_move(schedule, 16, "D")
    with pytest.raises(ValueError, match="has no line Z"):
        with_move(schedule, 3, "Z")
    with pytest.raises(ValueError, match="stands on line R already"):
        with_move(schedule, 3, "R")
