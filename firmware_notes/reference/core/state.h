/* What the controller may do in which state, as data. See protocol.md, States. */
#ifndef STATE_H
#define STATE_H

#include "hw.h"

enum state { UNHOMED, HOMING, IDLE, MOVING, STRIKING, HALTED };

enum refusal {
    UNKNOWN_COMMAND = 1, BAD_WORD, NOT_HOMED, BUSY, OUTSIDE_LIMITS, PULSE_TOO_LONG, DUTY_CYCLE,
    IS_HALTED, HALT_INPUT, NO_AXIS, NO_GATE, NOT_READY, NO_SESSION
};

enum cause {
    CAUSE_NONE, CAUSE_HALT_COMMAND, CAUSE_HALT_INPUT, CAUSE_LIMIT_INPUT, CAUSE_HEARTBEAT,
    CAUSE_DRIVER, CAUSE_HOMING_FAILED, CAUSE_WATCHDOG, CAUSE_HAMMER
};

enum command { SET, HOME, MOVE, STRIKE, CLEAR, GATE, STATUS, HALT, HELLO, NO_COMMAND };

extern volatile uint8_t state; /* enum state */
extern volatile uint8_t cause; /* enum cause of the latest halt */

/* 0 when the command may be carried out in this state, else the refusal. */
uint8_t state_refuses(uint8_t in, enum command command);
const char *state_name(uint8_t in); /* flash text */

/* Solenoid off, then motors off, position given up. From anywhere, interrupts included. */
void halt(uint8_t why);
/* True once for every halt to be told. */
bool halt_is_news(void);
/* A silent computer halts a motion: called for every valid line, and every TICK_US. */
void heartbeat_heard(void);
void heartbeat_limit_ms(uint16_t ms);
void heartbeat_tick(void);

#endif
