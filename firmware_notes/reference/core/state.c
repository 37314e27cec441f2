#include "state.h"

#include "config.h"
#include "hammer.h"
#include "motion.h"

volatile uint8_t state = UNHOMED;
volatile uint8_t cause = CAUSE_NONE;
static volatile bool news;
static volatile uint16_t silence_ticks, silence_limit = HEARTBEAT_MS * (1000 / TICK_US);

/* Refusals of SET, HOME, MOVE, STRIKE, CLEAR; GATE, STATUS, HALT and HELLO are never refused for
   the state. What follows an accepted command is in the functions that carry it out. */
static const uint8_t REFUSALS[][5] FLASH = {
    [UNHOMED] = {0, 0, NOT_HOMED, NOT_HOMED, 0},
    [HOMING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [IDLE] = {0, 0, 0, 0, 0},
    [MOVING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [STRIKING] = {BUSY, BUSY, BUSY, BUSY, BUSY},
    [HALTED] = {IS_HALTED, IS_HALTED, IS_HALTED, IS_HALTED, 0},
};

uint8_t state_refuses(uint8_t in, enum command command) {
    return command > CLEAR ? 0 : flash_byte(&REFUSALS[in][command]);
}

const char *state_name(uint8_t in) {
    switch (in) {
    case UNHOMED: return TEXT("UNHOMED");
    case HOMING: return TEXT("HOMING");
    case IDLE: return TEXT("IDLE");
    case MOVING: return TEXT("MOVING");
    case STRIKING: return TEXT("STRIKING");
    default: return TEXT("HALTED");
    }
}

void halt(uint8_t why) {
    uint8_t was = hw_lock();
    hammer_cut();
    motion_kill();
    if (state != HALTED || why == CAUSE_HALT_INPUT) {
        state = HALTED;
        cause = why;
        news = true;
    }
    hw_unlock(was);
}

bool halt_is_news(void) {
    uint8_t was = hw_lock();
    bool told = news;
    news = false;
    hw_unlock(was);
    return told;
}

void heartbeat_heard(void) {
    uint8_t was = hw_lock();
    silence_ticks = 0;
    hw_unlock(was);
}

void heartbeat_limit_ms(uint16_t ms) {
    uint8_t was = hw_lock();
    silence_limit = ms * (1000 / TICK_US);
    hw_unlock(was);
}

void heartbeat_tick(void) {
    if (state != HOMING && state != MOVING) {
        silence_ticks = 0;
        return;
    }
    if (++silence_ticks > silence_limit) halt(CAUSE_HEARTBEAT);
}
