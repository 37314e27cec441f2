/* The core on an ATmega328P or ATmega2560: one 16-bit timer for steps, hammer and gate, timer 2
   for the slow clock, serial port 0, watchdog. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "../config.h"
#include "../hw.h"
#if defined(__AVR_ATmega2560__)
#include "board_2560.h"
#else
#include "board_328p.h"
#endif

#ifndef BAUD
#define BAUD 250000UL
#endif
#define AXIS_BITS ((1 << AXES) - 1)
#define INPUT_BITS (AXIS_BITS | INPUT_HALT | INPUT_DRIVER)
#define RING 128 /* a power of two; protocol.md says what the receive buffer must hold */
#define HAMMER_LEAD 8 /* timer ticks from the order to the rising edge */

static volatile uint16_t overflows_low, overflows_high; /* of the 16-bit timer */
static volatile uint8_t ticks;                          /* of the slow clock */
static char received[RING], to_send[RING];
static volatile uint8_t received_in, received_out, to_send_in, to_send_out;
volatile uint8_t received_most; /* the fullest the receive buffer has been, for tests */

/* -- start ------------------------------------------------------------------------------- */

static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before anything else: solenoid off, and the watchdog running from here on. */
void early(void) __attribute__((naked, used, section(".init3")));
void early(void) {
    HAMMER_PORT &= (uint8_t)~_BV(HAMMER_BIT);
    HAMMER_DDR |= _BV(HAMMER_BIT);
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_60MS);
}

static void start_hardware(void) {
    ENABLE_PORT |= _BV(ENABLE_BIT);
    ENABLE_DDR |= _BV(ENABLE_BIT);
    MOTION_DDR |= (uint8_t)(AXIS_BITS << STEP_SHIFT | AXIS_BITS << DIRECTION_SHIFT);
    INPUT_PORT |= INPUT_BITS; /* pull-ups: a broken wire reads as an alarm */
    GATE_PORT |= _BV(GATE_BIT);
    TIMER_B = TIMER_SETTING;
    TIMER_MASK = _BV(OVERFLOW_INTERRUPT) | _BV(GATE_INTERRUPT);
    OCR2A = F_CPU / 32 * TICK_US / 1000000UL - 1;
    TCCR2A = _BV(WGM21);
    TIMSK2 = _BV(OCIE2A);
    TCCR2B = _BV(CS21) | _BV(CS20);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0A = _BV(U2X0);
    UBRR0 = (F_CPU + BAUD * 4) / (BAUD * 8) - 1;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

int main(void) {
    start_hardware();
    core_start(reset_flags & _BV(WDRF));
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    for (uint8_t seen = ticks;;) {
        bool busy = core_poll();
        if (seen != ticks) { /* both this loop and the slow clock are alive */
            wdt_reset();
            seen = ticks;
        }
        if (busy) continue;
        cli();
        if (received_in == received_out) {
            sleep_enable();
            sei(); /* takes effect after the next instruction: no interrupt is slept through */
            sleep_cpu();
            sleep_disable();
        }
        sei();
    }
}

ISR(BADISR_vect) { /* never wanted: the watchdog ends it */
    hw_hammer_off();
    for (;;) {
    }
}

/* -- lock, time, inputs ------------------------------------------------------------------ */

uint8_t hw_lock(void) {
    uint8_t was = SREG;
    cli();
    return was;
}

void hw_unlock(uint8_t was) { SREG = was; }

ISR(OVERFLOW_VECTOR) {
    if (++overflows_low == 0) overflows_high++;
}

/* Timer ticks with the overflows in front; `count` is a reading of the timer. */
static uint32_t overflows_at(uint16_t count) {
    uint32_t overflows = (uint32_t)overflows_high << 16 | overflows_low;
    if (TIMER_FLAGS & _BV(TIMER_OVERFLOWED) && count < 0x8000) overflows++; /* not yet counted */
    return overflows;
}

static uint32_t micros_at(uint16_t count) { return overflows_at(count) << 15 | count >> 1; }

uint32_t hw_micros(void) {
    uint8_t was = hw_lock();
    uint32_t us = micros_at(TIMER_COUNT);
    hw_unlock(was);
    return us;
}

uint8_t hw_inputs(void) { return INPUT_PIN & INPUT_BITS; }

ISR(TIMER2_COMPA_vect) {
    ticks++;
    on_tick();
}

/* -- serial port ------------------------------------------------------------------------- */

ISR(RECEIVE_VECTOR) {
    char c = (char)UDR0;
    uint8_t used = (uint8_t)(received_in - received_out);
    if (used < RING) { /* else the line comes out garbled and is asked for again */
        received[received_in % RING] = c;
        received_in++;
        if (used + 1 > received_most) received_most = used + 1;
    }
    on_byte(c);
}

int hw_receive(void) {
    if (received_in == received_out) return -1;
    char c = received[received_out % RING];
    received_out++;
    return (uint8_t)c;
}

ISR(SEND_VECTOR) {
    if (to_send_in == to_send_out) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    } else {
        UDR0 = (uint8_t)to_send[to_send_out % RING];
        to_send_out++;
    }
}

void hw_send(char c) {
    while ((uint8_t)(to_send_in - to_send_out) == RING) {
    }
    to_send[to_send_in % RING] = c;
    uint8_t was = hw_lock();
    to_send_in++;
    UCSR0B |= _BV(UDRIE0);
    hw_unlock(was);
}

/* -- motors ------------------------------------------------------------------------------ */

void hw_motors(bool energised) {
    if (energised) ENABLE_PORT &= (uint8_t)~_BV(ENABLE_BIT);
    else ENABLE_PORT |= _BV(ENABLE_BIT);
}

void hw_directions(uint8_t downwards) {
    uint8_t others = MOTION_PORT & (uint8_t)~(AXIS_BITS << DIRECTION_SHIFT);
    MOTION_PORT = others | (uint8_t)(downwards << DIRECTION_SHIFT);
}

void hw_steps(uint8_t axes) { MOTION_PORT |= (uint8_t)(axes << STEP_SHIFT); }

static bool reached(uint16_t moment) { return (int16_t)(TIMER_COUNT - moment) >= 0; }

ISR(STEP_VECTOR) {
    if (!reached(STEP_COMPARE)) return; /* a match from before this move */
    uint16_t ticks_later = on_step();
    MOTION_PORT &= (uint8_t)~(AXIS_BITS << STEP_SHIFT); /* the step pulse was as long as on_step */
    if (ticks_later == 0) {
        hw_stop_steps();
        return;
    }
    /* Counted from the last moment due, so that delays do not add up. */
    uint16_t due = STEP_COMPARE + ticks_later;
    if ((int16_t)(due - TIMER_COUNT) < 4) due = TIMER_COUNT + 4; /* passed already: at once */
    STEP_COMPARE = due;
}

void hw_start_steps(uint16_t ticks_later) {
    STEP_COMPARE = TIMER_COUNT + ticks_later;
    TIMER_MASK |= _BV(STEP_INTERRUPT);
}

void hw_stop_steps(void) { TIMER_MASK &= (uint8_t)~_BV(STEP_INTERRUPT); }

/* -- hammer and gate --------------------------------------------------------------------- */

/* The compare output raises the pin and, set anew before the pulse can end, lowers it: from then
   on no instruction is needed to switch the solenoid off. */
uint32_t hw_hammer_pulse(uint16_t us) {
    uint16_t start = TIMER_COUNT + HAMMER_LEAD;
    HAMMER_COMPARE = start;
    TIMER_A = HAMMER_SET;
    while (!reached(start + 2)) {
    }
    TIMER_A = HAMMER_CLEAR;
    HAMMER_COMPARE = start + 2 * us;
    TIMER_MASK |= _BV(HAMMER_INTERRUPT);
    return micros_at(start);
}

void hw_hammer_off(void) {
    HAMMER_PORT &= (uint8_t)~_BV(HAMMER_BIT);
    TIMER_A = 0; /* the pin is the port's again: low */
    TIMER_MASK &= (uint8_t)~_BV(HAMMER_INTERRUPT);
}

ISR(HAMMER_VECTOR) {
    if (!reached(HAMMER_COMPARE)) return; /* the match that began the pulse */
    hw_hammer_off();
    on_pulse_end();
}

ISR(GATE_VECTOR) {
    uint16_t count = TIMER_CAPTURED;
    on_gate(overflows_at(count) << 16 | count);
}
