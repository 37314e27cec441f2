/* The solenoid: one pulse at a time, never too long, never too often. */
#include "core.h"

#define COOLING_US(pulse_us) ((uint32_t)(pulse_us) * 100 / DUTY_PERCENT)

uint16_t hammer_longest_us;
static volatile uint32_t cooling_us; /* counts down, so that no clock can turn over on it */
static volatile uint8_t on_ticks;    /* 0: off */

void hammer_start(void) {
    hammer_cut();
    hammer_longest_us = MAX_PULSE_US;
    cooling_us = COOLING_US(MAX_PULSE_US); /* what was before the reset is not known */
}

uint8_t hammer_strike(uint16_t us, uint32_t *t) {
    uint8_t refusal = 0;
    if (us < MIN_PULSE_US) return BAD_WORD;
    if (us > hammer_longest_us) return PULSE_TOO_LONG;
    LOCKED {
        if (state != IDLE) { /* halted since the command was looked at */
            refusal = IS_HALTED;
        } else if (cooling_us) {
            refusal = DUTY_CYCLE;
            *t = (cooling_us + 999) / 1000;
        } else {
            state = STRIKING;
            cooling_us = COOLING_US(us) + TICK_US; /* the first tick may follow at once */
            on_ticks = 1;
            *t = hw_hammer_pulse(us);
        }
    }
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

/* The timer ends every pulse; the second line is for a timer that did not. */
void hammer_tick(void) {
    cooling_us = cooling_us > TICK_US ? cooling_us - TICK_US : 0;
    if (on_ticks && ++on_ticks > MAX_PULSE_US / TICK_US + 3) halt(CAUSE_HAMMER);
}
