/* The main loop, and what interrupts bring. */
#include "core.h"

static struct line line;

void core_start(bool by_watchdog) {
    hammer_start();
    motion_stop();
    hw_motors(false);
    state = UNHOMED, cause = CAUSE_NONE;
    silence_limit = SILENCE_LIMIT(HEARTBEAT_MS);
    line_take('\n', &line); /* forgets what was begun before a reset */
    commands_start();
    if (by_watchdog) halt(CAUSE_WATCHDOG);
}

static bool one_line(void) {
    enum verdict verdict = LINE_NOTHING;
    int c = 0;
    while (verdict == LINE_NOTHING && (c = hw_receive()) >= 0) verdict = line_take((char)c, &line);
    if (verdict == LINE_GARBLED || (verdict == LINE_VALID && line.kind == 'N' && !line.words)) {
        session_garbled();
    } else if (verdict == LINE_VALID && line.kind == 'N') { /* any other kind is an echo */
        silence = 0;
        if (session_is_new(line.number)) {
            commands_carry_out(&line);
            session_send();
        }
    }
    return verdict != LINE_NOTHING;
}

bool core_poll(void) {
    bool busy = motion_poll();
    while (motion_poll()) {
    }
    commands_say_halted();
    if (state == MOVING && motion_over()) commands_moved();
    if (state == HOMING && homing_poll()) commands_homed();
    return one_line() || busy;
}

/* HALT is always the same line, so it is recognised as it arrives, before all that waits. */
bool on_byte(char c) {
    static const char LINE[] FLASH = "N0 HALT*AA80";
    static uint8_t matched;
    bool whole = c == '\n' && matched == sizeof LINE - 1;
    if (c == '\n') matched = 0;
    else if (matched < sizeof LINE - 1 && (uint8_t)c == flash_byte(&LINE[matched])) matched++;
    else if (c != '\r') matched = UINT8_MAX;
    if (whole) halt(CAUSE_HALT_COMMAND);
    return whole;
}

/* An input counts when two looks in a row agree, so that a short glitch does not. */
void on_tick(void) {
    static uint8_t before, seen;
    uint8_t now = hw_inputs(), sure = now & before;
    before = now;
    if (sure & INPUT_HALT && (state != HALTED || !(seen & INPUT_HALT))) halt(CAUSE_HALT_INPUT);
    if (sure & INPUT_DRIVER && state != HALTED) halt(CAUSE_DRIVER);
    if (sure & ((1 << AXES) - 1) && place_known()) halt(CAUSE_LIMIT_INPUT);
    seen = sure;
    homing_tick(sure);
    heartbeat_tick();
    hammer_tick();
    gate_tick();
}
