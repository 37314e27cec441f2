/* The main loop: lines in, commands carried out, answers and events out. */
#include <string.h>

#include "config.h"
#include "gate.h"
#include "hammer.h"
#include "homing.h"
#include "line.h"
#include "motion.h"
#include "session.h"
#include "state.h"

static const int16_t lowest_mm[3] = LOWEST_MM, highest_mm[3] = HIGHEST_MM;
static int32_t position[AXES]; /* steps; of use only where the state says so */
static uint16_t acceleration = MAX_ACCELERATION;
static uint16_t moving_for; /* number of the HOME or MOVE under way */

#define MM 10000L /* values of words are ten-thousandths */

/* -- answers ------------------------------------------------------------------------------- */

static void ok(uint16_t number) {
    session_answer(number);
    text_word(TEXT("OK"));
}

static void no(uint16_t number, uint8_t refusal) {
    session_answer(number);
    text_word(TEXT("NO"));
    text_number(0, refusal);
}

static void place(void) {
    int32_t made[AXES] = {0};
    if (state == MOVING) motion_made(made);
    for (uint8_t i = 0; i < AXES; i++) {
        int32_t um = (position[i] + made[i]) * 1000 / steps_per_mm[i];
        text_decimal("XYZ"[i], um, 3);
    }
}

static bool place_known(void) { return state == IDLE || state == MOVING || state == STRIKING; }

/* -- commands ------------------------------------------------------------------------------ */

static void do_hello(struct line *line) {
    struct words w;
    if (!words_read(line, TEXT("SP"), true, &w) || !(w.given & 1) || w.value[0] < 0 ||
        words_whole(&w, 0) > 65535) {
        no(0, BAD_WORD);
        return;
    }
    session_open((uint16_t)words_whole(&w, 0));
    ok(0);
    text_number('S', (uint32_t)words_whole(&w, 0));
    text_number('P', PROTOCOL_VERSION);
    text_number('U', MAX_PULSE_US);
    text_decimal('D', DUTY_PERCENT * 10, 1);
    text_number('W', CREDIT_LINES);
    text_number('B', CREDIT_BYTES);
    text_number('G', HAS_GATE);
    text_number('Z', AXES > 2);
    text_word(TEXT(FIRMWARE_NAME));
}

static uint8_t do_set(struct line *line) {
    struct words w;
    if (!words_read(line, TEXT("AHU"), false, &w)) return BAD_WORD;
    if (w.given & 1 && w.value[0] < MIN_ACCELERATION * MM) return BAD_WORD;
    if (w.given & 2 && (w.value[1] < MIN_HEARTBEAT_MS * MM || w.value[1] > MAX_HEARTBEAT_MS * MM))
        return BAD_WORD;
    if (w.given & 4 && w.value[2] < MIN_PULSE_US * MM) return BAD_WORD;
    if (w.given & 1) {
        int32_t wanted = words_whole(&w, 0);
        acceleration = (uint16_t)(wanted < MAX_ACCELERATION ? wanted : MAX_ACCELERATION);
    }
    if (w.given & 2) heartbeat_limit_ms((uint16_t)words_whole(&w, 1));
    if (w.given & 4) {
        int32_t wanted = words_whole(&w, 2);
        hammer_longest((uint16_t)(wanted < MAX_PULSE_US ? wanted : MAX_PULSE_US));
    }
    return 0;
}

/* Goes from one state to another unless a halt came first. */
static bool enter(uint8_t from, uint8_t to) {
    uint8_t was = hw_lock();
    bool still = state == from;
    if (still) state = to;
    hw_unlock(was);
    return still;
}

static uint8_t do_home(uint16_t number) {
    heartbeat_heard();
    if (!enter(UNHOMED, HOMING) && !enter(IDLE, HOMING)) return IS_HALTED;
    moving_for = number;
    homing_begin();
    return 0;
}

static uint8_t do_move(struct line *line, uint32_t *ms) {
    struct words w;
    if (!words_read(line, TEXT("XYZF"), false, &w) || (w.given & 0x0B) != 0x0B || w.value[3] < MM)
        return BAD_WORD;
    if (w.given & 4 && AXES < 3) return NO_AXIS;
    int32_t steps[AXES];
    for (uint8_t i = 0; i < AXES; i++) {
        if (!(w.given & 1 << i)) {
            steps[i] = 0;
            continue;
        }
        if (w.value[i] < lowest_mm[i] * MM || w.value[i] > highest_mm[i] * MM) return OUTSIDE_LIMITS;
        /* steps to the nearest of the place; mm and fractions apart, so that 32 bits do */
        int32_t mm = w.value[i] / MM, part = w.value[i] % MM;
        int32_t wanted = mm * steps_per_mm[i];
        wanted += (part * steps_per_mm[i] + (part < 0 ? -MM / 2 : MM / 2)) / MM;
        steps[i] = wanted - position[i];
    }
    float mm_s = (float)w.value[3] * (1.0f / (60.0f * (float)MM));
    if (mm_s > MAX_SPEED_MM_S) mm_s = MAX_SPEED_MM_S;
#if AXES > 2
    if (steps[2] && mm_s > MAX_Z_SPEED_MM_S) mm_s = MAX_Z_SPEED_MM_S;
#endif
    *ms = motion_plan(steps, mm_s, (float)acceleration);
    motion_poll();
    heartbeat_heard();
    uint8_t was = hw_lock();
    bool still = state == IDLE;
    if (still) {
        state = MOVING;
        motion_go();
    }
    hw_unlock(was);
    moving_for = line->number;
    return still ? 0 : IS_HALTED;
}

static uint8_t do_clear(void) {
    uint8_t was = hw_lock();
    uint8_t refusal = hw_inputs() & INPUT_HALT ? HALT_INPUT : 0;
    if (!refusal) {
        if (state == HALTED) state = UNHOMED;
        cause = CAUSE_NONE;
    }
    hw_unlock(was);
    return refusal;
}

static void do_gate(struct line *line) {
    struct words w;
    uint32_t in, out;
    uint8_t refusal = 0;
    if (!HAS_GATE) refusal = NO_GATE;
    else if (!words_read(line, TEXT("N"), false, &w) || !w.given || w.value[0] < 0 ||
             words_whole(&w, 0) > 65535)
        refusal = BAD_WORD;
    else refusal = gate_result((uint16_t)words_whole(&w, 0), &in, &out);
    if (refusal) {
        no(line->number, refusal);
        return;
    }
    ok(line->number);
    if (in) text_decimal('V', (int32_t)in, 4);
    if (out) text_decimal('R', (int32_t)out, 4);
}

static void do_status(uint16_t number) {
    uint8_t was = hw_lock();
    uint8_t now = state, why = cause;
    hw_unlock(was);
    ok(number);
    text_word(state_name(now));
    if (now == IDLE || now == MOVING || now == STRIKING) place();
    text_number('T', hw_micros());
    text_number('C', why);
}

static void do_strike(struct line *line) {
    struct words w;
    uint32_t t = 0;
    uint8_t refusal = BAD_WORD;
    if (words_read(line, TEXT("U"), false, &w) && w.given)
        refusal = hammer_strike(words_whole(&w, 0), &t);
    if (!refusal) {
        gate_open(line->number);
        ok(line->number);
        text_number('T', t);
    } else {
        no(line->number, refusal);
        if (refusal == DUTY_CYCLE) text_number('W', t);
    }
}

static void say_halted(void) {
    if (!halt_is_news()) return;
    session_event(TEXT("HALTED"));
    text_number('C', cause);
    session_send();
}

static enum command command_of(const char *word) {
    static const char NAMES[][7] FLASH = {"SET",  "HOME",   "MOVE", "STRIKE", "CLEAR",
                                          "GATE", "STATUS", "HALT", "HELLO"};
    for (uint8_t c = 0; c < NO_COMMAND; c++) {
        uint8_t i = 0;
        while (word[i] && (uint8_t)word[i] == flash_byte(&NAMES[c][i])) i++;
        if (!word[i] && !flash_byte(&NAMES[c][i])) return (enum command)c;
    }
    return NO_COMMAND;
}

static void carry_out(struct line *line) {
    enum command command = command_of(line->word[0]);
    uint32_t ms = 0;
    uint8_t refusal;
    if (command == NO_COMMAND || (line->number == 0) != (command == HALT || command == HELLO)) {
        no(line->number, UNKNOWN_COMMAND);
        return;
    }
    refusal = state_refuses(state, command);
    if (!refusal) {
        switch (command) {
        case HELLO: do_hello(line); return;
        case STATUS: do_status(line->number); return;
        case GATE: do_gate(line); return;
        case STRIKE: do_strike(line); return;
        case HALT:
            halt(CAUSE_HALT_COMMAND);
            say_halted();
            break;
        case SET: refusal = do_set(line); break;
        case HOME: refusal = line->words > 1 ? BAD_WORD : do_home(line->number); break;
        case MOVE: refusal = do_move(line, &ms); break;
        default: refusal = line->words > 1 ? BAD_WORD : do_clear(); break;
        }
    }
    if (refusal) {
        no(line->number, refusal);
        return;
    }
    ok(line->number);
    if (command == MOVE) text_number('D', ms);
}

/* -- the main loop ------------------------------------------------------------------------- */

static void say_still(void) {
    session_event(TEXT("STILL"));
    text_number('N', moving_for);
    place();
    session_send();
}

static bool motions(void) {
    motion_poll();
    if (state == MOVING && motion_over()) {
        int32_t made[AXES];
        motion_made(made);
        if (!enter(MOVING, IDLE)) return true;
        for (uint8_t i = 0; i < AXES; i++) position[i] += made[i];
        say_still();
        return true;
    }
    if (state == HOMING && homing_poll()) {
        if (!enter(HOMING, IDLE)) return true;
        memset(position, 0, sizeof position);
        say_still();
        return true;
    }
    return false;
}

static bool one_line(void) {
    static struct line line;
    int c;
    while ((c = hw_receive()) >= 0) {
        switch (line_take((char)c, &line)) {
        case LINE_GARBLED: session_garbled(); return true;
        case LINE_VALID:
            if (line.kind != 'N') return true; /* an echo */
            if (line.words == 0) {
                session_garbled();
                return true;
            }
            heartbeat_heard();
            if (session_is_new(line.number)) {
                carry_out(&line);
                session_send();
            }
            return true;
        default: break;
        }
    }
    return false;
}

void core_start(bool by_watchdog) {
    hammer_start();
    motion_kill();
    state = UNHOMED;
    cause = CAUSE_NONE;
    acceleration = MAX_ACCELERATION;
    heartbeat_limit_ms(HEARTBEAT_MS);
    session_start();
    session_event(TEXT("READY"));
    text_number('P', PROTOCOL_VERSION);
    text_word(TEXT(FIRMWARE_NAME));
    session_send();
    if (by_watchdog) halt(CAUSE_WATCHDOG);
}

bool core_poll(void) {
    say_halted();
    bool busy = motions();
    return one_line() || busy;
}

/* HALT is always the same line, so it is recognised as it arrives, before all that waits. */
bool on_byte(char c) {
    static const char LINE[] FLASH = "N0 HALT*AA80";
    static uint8_t matched;
    if (c == '\r') return false;
    if (c == '\n') {
        bool whole = matched == sizeof LINE - 1;
        matched = 0;
        if (whole) halt(CAUSE_HALT_COMMAND);
        return whole;
    }
    if (matched < sizeof LINE - 1 && (uint8_t)c == flash_byte(&LINE[matched])) matched++;
    else matched = UINT8_MAX;
    return false;
}

/* An input counts when two looks in a row agree, so that a short glitch does not. */
void on_tick(void) {
    static uint8_t before, halt_seen;
    uint8_t now = hw_inputs(), sure = now & before;
    before = now;
    if (sure & INPUT_HALT && (state != HALTED || !halt_seen)) halt(CAUSE_HALT_INPUT);
    halt_seen = sure & INPUT_HALT;
    if (sure & INPUT_DRIVER && state != HALTED) halt(CAUSE_DRIVER);
    if (sure & ((1 << AXES) - 1) && place_known()) halt(CAUSE_LIMIT_INPUT);
    homing_tick(sure);
    heartbeat_tick();
    hammer_tick();
    gate_tick();
}
