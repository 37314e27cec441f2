/* What the commands do. */
#include <string.h>

#include "core.h"

static const int16_t lowest_mm[3] = LOWEST_MM, highest_mm[3] = HIGHEST_MM;
static int32_t position[AXES]; /* steps; of use only where the state says so */
static uint16_t acceleration, moving_for; /* the latter: number of the HOME or MOVE under way */

static bool is_between(const struct words *words, uint8_t i, int32_t lowest, int32_t highest) {
    return !(words->given >> i & 1) || (words->value[i] >= lowest && words->value[i] <= highest);
}

static uint16_t lower(uint16_t a, uint16_t b) { return a < b ? a : b; }

static uint8_t do_hello(struct line *line) {
    struct words w;
    if (!words_read(line, TEXT("SP"), true, &w) || !(w.given & 1)) return BAD_WORD;
    if (!is_between(&w, 0, 0, 65536 * ONE - 1)) return BAD_WORD;
    session_open(words_whole(&w, 0));
    session_answer(0, true);
    text_number('S', words_whole(&w, 0));
    text_number('P', PROTOCOL_VERSION);
    text_number('U', MAX_PULSE_US);
    text_decimal('D', DUTY_PERCENT * 10, 1);
    text_number('W', CREDIT_LINES);
    text_number('B', CREDIT_BYTES);
    text_number('G', HAS_GATE);
    text_number('Z', AXES > 2);
    text_word(TEXT(FIRMWARE_NAME));
    return 0;
}

static uint8_t do_set(struct line *line) {
    struct words w;
    if (!words_read(line, TEXT("AHU"), false, &w)) return BAD_WORD;
    if (!is_between(&w, 0, MIN_ACCELERATION * ONE, INT32_MAX)) return BAD_WORD;
    if (!is_between(&w, 1, MIN_HEARTBEAT_MS * ONE, MAX_HEARTBEAT_MS * ONE)) return BAD_WORD;
    if (!is_between(&w, 2, MIN_PULSE_US * ONE, INT32_MAX)) return BAD_WORD;
    if (w.given & 1) acceleration = lower(words_whole(&w, 0), MAX_ACCELERATION);
    if (w.given & 2) silence_limit = SILENCE_LIMIT(words_whole(&w, 1));
    if (w.given & 4) hammer_longest_us = lower(words_whole(&w, 2), MAX_PULSE_US);
    session_answer(line->number, true);
    return 0;
}

static uint8_t do_home(struct line *line) {
    if (line->words > 1) return BAD_WORD;
    if (!state_enter(UNHOMED, HOMING) && !state_enter(IDLE, HOMING)) return IS_HALTED;
    moving_for = line->number;
    homing_begin();
    session_answer(line->number, true);
    return 0;
}

static uint8_t do_move(struct line *line) {
    struct words w;
    int32_t steps[AXES];
    if (!words_read(line, TEXT("XYZF"), false, &w) || (w.given & 0x0B) != 0x0B) return BAD_WORD;
    if (w.value[3] < ONE) return BAD_WORD;
    if (w.given & 4 && AXES < 3) return NO_AXIS;
    for (uint8_t i = 0; i < AXES; i++) {
        if (!is_between(&w, i, lowest_mm[i] * ONE, highest_mm[i] * ONE)) return OUTSIDE_LIMITS;
        /* to the nearest step; whole mm and the rest apart, so that 32 bits do */
        int32_t rest = w.value[i] % ONE * steps_per_mm[i];
        steps[i] = w.value[i] / ONE * steps_per_mm[i] - position[i];
        steps[i] += (rest + (rest < 0 ? -ONE / 2 : ONE / 2)) / ONE;
        if (!(w.given >> i & 1)) steps[i] = 0;
    }
    float mm_s = (float)w.value[3] * (1.0f / (60.0f * (float)ONE)), most = MAX_SPEED_MM_S;
    if (AXES > 2 && steps[AXES - 1]) most = MAX_Z_SPEED_MM_S;
    uint32_t ms = motion_plan(steps, mm_s < most ? mm_s : most, (float)acceleration);
    moving_for = line->number;
    bool still;
    LOCKED {
        still = state_enter(IDLE, MOVING);
        if (still) motion_go();
    }
    if (!still) return IS_HALTED;
    session_answer(line->number, true);
    text_number('D', ms);
    return 0;
}

static uint8_t do_strike(struct line *line) {
    struct words w;
    uint32_t t = 0;
    if (!words_read(line, TEXT("U"), false, &w) || !w.given) return BAD_WORD;
    uint8_t refusal = hammer_strike(words_whole(&w, 0), &t);
    if (!refusal) gate_open(line->number);
    if (refusal && refusal != DUTY_CYCLE) return refusal;
    session_answer(line->number, !refusal);
    if (refusal) text_number(0, refusal);
    text_number(refusal ? 'W' : 'T', t);
    return 0;
}

static uint8_t do_clear(struct line *line) {
    uint8_t refusal = 0;
    if (line->words > 1) return BAD_WORD;
    LOCKED {
        if (hw_inputs() & INPUT_HALT) refusal = HALT_INPUT;
        else if (state == HALTED) state = UNHOMED;
        if (!refusal) cause = CAUSE_NONE;
    }
    if (!refusal) session_answer(line->number, true);
    return refusal;
}

static uint8_t do_gate(struct line *line) {
    struct words w;
    uint32_t in, out;
    if (!HAS_GATE) return NO_GATE;
    if (!words_read(line, TEXT("N"), false, &w) || !w.given) return BAD_WORD;
    if (!is_between(&w, 0, 0, 65536 * ONE - 1)) return BAD_WORD;
    uint8_t refusal = gate_result(words_whole(&w, 0), &in, &out);
    if (refusal) return refusal;
    session_answer(line->number, true);
    if (in) text_decimal('V', (int32_t)in, 4);
    if (out) text_decimal('R', (int32_t)out, 4);
    return 0;
}

static void say_place(bool on_the_way) {
    int32_t made[AXES] = {0};
    if (on_the_way) motion_made(made);
    for (uint8_t i = 0; i < AXES; i++)
        text_decimal("XYZ"[i], (position[i] + made[i]) * 1000 / steps_per_mm[i], 3);
}

static uint8_t do_status(struct line *line) {
    uint8_t now, why;
    if (line->words > 1) return BAD_WORD;
    LOCKED now = state, why = cause;
    session_answer(line->number, true);
    text_word(state_name(now));
    if (now == IDLE || now == MOVING || now == STRIKING) say_place(now == MOVING);
    text_number('T', hw_micros());
    text_number('C', why);
    return 0;
}

static uint8_t do_halt(struct line *line) {
    halt(CAUSE_HALT_COMMAND); /* whatever else the line says */
    commands_say_halted();
    session_answer(line->number, true);
    return 0;
}

static enum command command_of(const char *word) {
    static const char NAMES[][7] FLASH = {
        [SET] = "SET", [HOME] = "HOME", [MOVE] = "MOVE", [STRIKE] = "STRIKE", [CLEAR] = "CLEAR",
        [GATE] = "GATE", [STATUS] = "STATUS", [HALT] = "HALT", [HELLO] = "HELLO"};
    for (uint8_t c = 0; c < NO_COMMAND; c++) {
        uint8_t i = 0;
        while (word[i] && (uint8_t)word[i] == flash_byte(&NAMES[c][i])) i++;
        if (!word[i] && !flash_byte(&NAMES[c][i])) return (enum command)c;
    }
    return NO_COMMAND;
}

/* Order of the checks: command and number, state, words, ranges. */
void commands_carry_out(struct line *line) {
    static uint8_t (*const WORK[])(struct line *) = {
        [SET] = do_set, [HOME] = do_home, [MOVE] = do_move, [STRIKE] = do_strike, [CLEAR] = do_clear,
        [GATE] = do_gate, [STATUS] = do_status, [HALT] = do_halt, [HELLO] = do_hello};
    enum command command = command_of(line->word[0]);
    uint8_t refusal = UNKNOWN_COMMAND;
    if (command != NO_COMMAND && (line->number == 0) == (command == HALT || command == HELLO)) {
        refusal = state_refuses(command);
        if (!refusal) refusal = WORK[command](line);
    }
    if (!refusal) return;
    session_answer(line->number, false);
    text_number(0, refusal);
}

/* -- what the board says by itself ----------------------------------------------------------- */

static void say_still(void) {
    session_event(TEXT("STILL"));
    text_number('N', moving_for);
    say_place(false);
    session_send();
}

void commands_moved(void) {
    int32_t made[AXES];
    motion_made(made);
    if (!state_enter(MOVING, IDLE)) return;
    for (uint8_t i = 0; i < AXES; i++) position[i] += made[i];
    say_still();
}

void commands_homed(void) {
    memset(position, 0, sizeof position);
    if (state_enter(HOMING, IDLE)) say_still();
}

void commands_say_halted(void) {
    if (!halt_is_news()) return;
    session_event(TEXT("HALTED"));
    text_number('C', cause);
    session_send();
}

void commands_start(void) {
    acceleration = MAX_ACCELERATION;
    session_start();
    session_event(TEXT("READY"));
    text_number('P', PROTOCOL_VERSION);
    text_word(TEXT(FIRMWARE_NAME));
    session_send();
}
