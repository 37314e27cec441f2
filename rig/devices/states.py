"""What the controller may do in which state, as data. Both ends and the specification use it."""

from __future__ import annotations

from enum import IntEnum, StrEnum

PROTOCOL_VERSION = 1


class State(StrEnum):
    """The controller's states; the words are those of the STATUS answer."""

    UNHOMED = "UNHOMED"
    HOMING = "HOMING"
    IDLE = "IDLE"
    MOVING = "MOVING"
    STRIKING = "STRIKING"
    HALTED = "HALTED"


class Refusal(IntEnum):
    """Codes of a NO answer."""

    UNKNOWN_COMMAND = 1
    BAD_WORD = 2
    NOT_HOMED = 3
    BUSY = 4
    OUTSIDE_LIMITS = 5
    PULSE_TOO_LONG = 6
    DUTY_CYCLE = 7
    HALTED = 8
    HALT_INPUT = 9
    NO_AXIS = 10
    NO_GATE = 11
    NOT_READY = 12
    NO_SESSION = 13


class Cause(IntEnum):
    """Why the controller is halted; codes of the HALTED event and of STATUS."""

    NONE = 0
    HALT_COMMAND = 1
    HALT_INPUT = 2
    LIMIT_INPUT = 3
    HEARTBEAT = 4
    DRIVER = 5
    HOMING_FAILED = 6
    WATCHDOG = 7
    HAMMER = 8


class Stimulus(StrEnum):
    """What can happen to the controller: the commands, then what it notices by itself."""

    SET = "SET"
    HOME = "HOME"
    MOVE = "MOVE"
    STRIKE = "STRIKE"
    GATE = "GATE"
    STATUS = "STATUS"
    CLEAR = "CLEAR"
    HALT = "HALT"
    HOMED = "homed"
    ARRIVED = "arrived"
    PULSE_OVER = "pulse over"
    FAULT = "fault"  # halt input, limit input, heartbeat lost, driver fault, failed homing


S, R, X = State, Refusal, Stimulus

# (state, stimulus) → the state that follows, or the code of the refusal. Commands not listed for
# a state cannot occur; what the controller notices by itself and is not listed changes nothing.
TRANSITIONS: dict[tuple[State, Stimulus], State | Refusal] = {
    (S.UNHOMED, X.SET): S.UNHOMED,
    (S.UNHOMED, X.HOME): S.HOMING,
    (S.UNHOMED, X.MOVE): R.NOT_HOMED,
    (S.UNHOMED, X.STRIKE): R.NOT_HOMED,
    (S.UNHOMED, X.CLEAR): S.UNHOMED,
    (S.HOMING, X.SET): R.BUSY,
    (S.HOMING, X.HOME): R.BUSY,
    (S.HOMING, X.MOVE): R.BUSY,
    (S.HOMING, X.STRIKE): R.BUSY,
    (S.HOMING, X.CLEAR): R.BUSY,
    (S.HOMING, X.HOMED): S.IDLE,
    (S.IDLE, X.SET): S.IDLE,
    (S.IDLE, X.HOME): S.HOMING,
    (S.IDLE, X.MOVE): S.MOVING,
    (S.IDLE, X.STRIKE): S.STRIKING,
    (S.IDLE, X.CLEAR): S.IDLE,
    (S.MOVING, X.SET): R.BUSY,
    (S.MOVING, X.HOME): R.BUSY,
    (S.MOVING, X.MOVE): R.BUSY,
    (S.MOVING, X.STRIKE): R.BUSY,
    (S.MOVING, X.CLEAR): R.BUSY,
    (S.MOVING, X.ARRIVED): S.IDLE,
    (S.STRIKING, X.SET): R.BUSY,
    (S.STRIKING, X.HOME): R.BUSY,
    (S.STRIKING, X.MOVE): R.BUSY,
    (S.STRIKING, X.STRIKE): R.BUSY,
    (S.STRIKING, X.CLEAR): R.BUSY,
    (S.STRIKING, X.PULSE_OVER): S.IDLE,
    (S.HALTED, X.SET): R.HALTED,
    (S.HALTED, X.HOME): R.HALTED,
    (S.HALTED, X.MOVE): R.HALTED,
    (S.HALTED, X.STRIKE): R.HALTED,
    (S.HALTED, X.CLEAR): S.UNHOMED,
}
for _state in State:
    TRANSITIONS[_state, X.GATE] = _state
    TRANSITIONS[_state, X.STATUS] = _state
    TRANSITIONS[_state, X.HALT] = S.HALTED
    TRANSITIONS[_state, X.FAULT] = S.HALTED

COMMANDS = frozenset(x for x in Stimulus if x.value.isupper())

REFUSAL_TEXT: dict[Refusal, str] = {
    R.UNKNOWN_COMMAND: "does not know this command",
    R.BAD_WORD: "found a word missing, malformed or out of range",
    R.NOT_HOMED: "must be homed first",
    R.BUSY: "is still moving, homing or striking",
    R.OUTSIDE_LIMITS: "will not move outside its limits",
    R.PULSE_TOO_LONG: "will not give so long a pulse",
    R.DUTY_CYCLE: "must let the solenoid cool first",
    R.HALTED: "is halted and must be cleared and homed",
    R.HALT_INPUT: "still sees the halt button pressed",
    R.NO_AXIS: "has no such axis",
    R.NO_GATE: "has no speed gate",
    R.NOT_READY: "has no result yet",
    R.NO_SESSION: "has not been greeted since it started",
}

CAUSE_TEXT: dict[Cause, str] = {
    Cause.NONE: "no halt",
    Cause.HALT_COMMAND: "halt was sent",
    Cause.HALT_INPUT: "the halt button was pressed",
    Cause.LIMIT_INPUT: "a limit switch was touched",
    Cause.HEARTBEAT: "the computer fell silent during a motion",
    Cause.DRIVER: "a motor driver reported a fault",
    Cause.HOMING_FAILED: "homing did not find its switches",
    Cause.WATCHDOG: "the controller's watchdog restarted it",
    Cause.HAMMER: "the solenoid was on for longer than its pulse",
}


def next_state(state: State, stimulus: Stimulus) -> State | Refusal:
    """Look the transition up; unlisted things noticed by the controller leave the state alone."""
    return TRANSITIONS.get((state, stimulus), state)
