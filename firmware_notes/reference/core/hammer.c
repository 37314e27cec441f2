#include "hammer.h"

#include "config.h"
#include "state.h"

static uint16_t longest_us;
static volatile uint32_t cooling_us; /* counts down, so that no clock can turn over on it */
static volatile uint8_t on_ticks;    /* 0: off */

#define COOLING_US(pulse_us) ((uint32_t)(pulse_us) * 100 / DUTY_PERCENT)

void hammer_start(void) {
    hw_hammer_off();
    longest_us = MAX_PULSE_US;
    on_ticks = 0;
    cooling_us = COOLING_US(MAX_PULSE_US); /* what was before the reset is not known */
}

void hammer_longest(uint16_t us) { longest_us = us < MAX_PULSE_US ? us : MAX_PULSE_US; }

uint8_t hammer_strike(int32_t us, uint32_t *t) {
    uint8_t refusal = 0;
    if (us < MIN_PULSE_US) return BAD_WORD;
    if (us > longest_us) return PULSE_TOO_LONG;
    uint8_t was = hw_lock();
    if (state != IDLE) { /* halted since the command was looked at */
        refusal = IS_HALTED;
    } else if (cooling_us) {
        refusal = DUTY_CYCLE;
        *t = (cooling_us + 999) / 1000;
    } else {
        state = STRIKING;
        cooling_us = COOLING_US(us) + TICK_US; /* the first tick may follow at once */
        on_ticks = 1;
        *t = hw_hammer_pulse((uint16_t)us);
    }
    hw_unlock(was);
    return refusal;
}

void on_pulse_end(void) {
    on_ticks = 0;
    if (state == STRIKING) state = IDLE;
}

void hammer_cut(void) {
    hw_hammer_off();
    on_ticks = 0;
}

/* The timer ends every pulse; this is for a timer that did not. */
void hammer_tick(void) {
    cooling_us = cooling_us > TICK_US ? cooling_us - TICK_US : 0;
    if (on_ticks && ++on_ticks > MAX_PULSE_US / TICK_US + 3) halt(CAUSE_HAMMER);
}
