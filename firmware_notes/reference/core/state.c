#include "core.h"

volatile uint8_t state = UNHOMED, cause = CAUSE_NONE;
volatile uint8_t silence, silence_limit;
static volatile bool news;

/* Refusals of SET, HOME, MOVE, STRIKE, CLEAR. The other commands are never refused for the state,
   and what follows an accepted one is in the function that carries it out. */
static const uint8_t REFUSALS[][5] FLASH = {
    [UNHOMED] = {0, 0, NOT_HOMED, NOT_HOMED, 0},
    [HOMING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [IDLE] = {0, 0, 0, 0, 0},
    [MOVING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [STRIKING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [HALTED] = {IS_HALTED, IS_HALTED, IS_HALTED, IS_HALTED, 0},
};
static const char NAMES[][9] FLASH = {"UNHOMED", "HOMING", "IDLE", "MOVING", "STRIKING", "HALTED"};

uint8_t state_refuses(enum command command) {
    return command > CLEAR ? 0 : flash_byte(&REFUSALS[state][command]);
}

const char *state_name(uint8_t which) { return NAMES[which]; }

bool state_enter(uint8_t from, uint8_t to) {
    bool still;
    LOCKED {
        still = state == from;
        if (still) state = to;
    }
    return still;
}

bool place_known(void) { return state == IDLE || state == MOVING || state == STRIKING; }

void halt(uint8_t why) {
    LOCKED {
        hammer_cut();
        motion_stop();
        hw_motors(false);
        if (state != HALTED || why == CAUSE_HALT_INPUT) {
            state = HALTED;
            cause = why;
            news = true;
        }
    }
}

bool halt_is_news(void) {
    bool told = news;
    if (told) news = false;
    return told;
}

/* Every TICK_US. A computer that falls silent halts a motion. */
void heartbeat_tick(void) {
    static uint8_t part;
    if (++part % (2000 / TICK_US) == 0 && silence < UINT8_MAX) silence++;
    if (silence >= silence_limit && (state == HOMING || state == MOVING)) halt(CAUSE_HEARTBEAT);
}
