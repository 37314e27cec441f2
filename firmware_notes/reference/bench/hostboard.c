#include "hostboard.h"

#include <string.h>

#include "../config.h"
#include "../hw.h"

#define NEVER UINT64_MAX
#define CYCLES_PER_TICK (CYCLES_PER_S / TIMER_HZ)
#define BYTE_CYCLES 640 /* ten bits at 250,000 baud */
#define WATCHDOG_CYCLES (60000ULL * CYCLES_PER_US)
#define RING 128
#define QUEUE 65536

static uint64_t time_now, next_tick, next_step = NEVER, hammer_end = NEVER, next_byte, hung_until = NEVER;
static uint8_t queue[QUEUE]; /* on the cable */
static size_t queue_in, queue_out;
static uint8_t received[RING];
static uint8_t received_in, received_out;
static int received_most;
static uint8_t input_bits, directions;
static bool gate_level, interrupts_off;

/* -- what the core asks for ---------------------------------------------------------------- */

uint8_t hw_lock(void) { return 0; }
void hw_unlock(uint8_t was) { (void)was; }
uint32_t hw_micros(void) { return (uint32_t)(time_now / CYCLES_PER_US); }
uint8_t hw_inputs(void) { return input_bits & ((1 << AXES) - 1 | INPUT_HALT | INPUT_DRIVER); }
void hw_send(char c) { bench_byte((uint8_t)c); }

int hw_receive(void) {
    if (received_in == received_out) return -1;
    return received[received_out++ % RING];
}

void hw_motors(bool energised) { bench_motors(energised); }
void hw_directions(uint8_t downwards) { directions = downwards; }

void hw_steps(uint8_t axes) {
    for (uint8_t i = 0; i < AXES; i++)
        if (axes >> i & 1) bench_step(i, directions >> i & 1);
}

void hw_start_steps(uint16_t ticks) { next_step = time_now + ticks * CYCLES_PER_TICK; }
void hw_stop_steps(void) { next_step = NEVER; }

uint32_t hw_hammer_pulse(uint16_t us) {
    hammer_end = time_now + (uint64_t)us * CYCLES_PER_US;
    bench_hammer(true);
    return hw_micros();
}

void hw_hammer_off(void) {
    hammer_end = NEVER;
    bench_hammer(false);
}

/* -- what happens in time ------------------------------------------------------------------ */

static uint64_t now(void) { return time_now; }

static void restart(bool by_watchdog) {
    queue_out = queue_in;
    received_in = received_out = 0;
    next_step = hammer_end = hung_until = NEVER;
    interrupts_off = false;
    next_byte = time_now;
    next_tick = time_now + TICK_US * CYCLES_PER_US;
    bench_restarted();
    core_start(by_watchdog);
}

static void reset(void) { restart(false); }

static void hang(bool off) {
    hung_until = time_now + WATCHDOG_CYCLES;
    interrupts_off = off;
}

static void arrive(void) {
    uint8_t used = (uint8_t)(received_in - received_out);
    char c = (char)queue[queue_out++ % QUEUE];
    next_byte = time_now + BYTE_CYCLES;
    if (used < RING) received[received_in++ % RING] = (uint8_t)c;
    if (used + 1 > received_most && used < RING) received_most = used + 1;
    on_byte(c);
}

static void happen(void) {
    if (hammer_end <= time_now) { /* the timer's doing, hung or not */
        hammer_end = NEVER;
        bench_hammer(false);
        if (!interrupts_off) on_pulse_end();
    }
    if (hung_until <= time_now) restart(true);
    if (interrupts_off) {
        next_tick = next_step = next_byte = NEVER;
        return;
    }
    if (queue_in != queue_out && next_byte <= time_now) arrive();
    if (next_tick <= time_now) {
        next_tick += TICK_US * CYCLES_PER_US;
        on_tick();
    }
    if (next_step <= time_now) {
        uint64_t due = next_step;
        uint16_t ticks = on_step();
        if (next_step != NEVER) next_step = ticks ? due + ticks * CYCLES_PER_TICK : NEVER;
    }
}

static uint64_t earliest(uint64_t until) {
    uint64_t next = until;
    if (next_tick < next) next = next_tick;
    if (next_step < next) next = next_step;
    if (hammer_end < next) next = hammer_end;
    if (hung_until < next) next = hung_until;
    if (bench_next() < next) next = bench_next();
    if (queue_in != queue_out && next_byte < next) next = next_byte;
    return next < time_now ? time_now : next;
}

static void run(uint64_t until) {
    while (time_now < until) {
        time_now = earliest(until);
        bench_due();
        happen();
        while (hung_until == NEVER && core_poll()) {
        }
    }
}

static void byte(uint8_t value) {
    if (queue_in == queue_out && next_byte < time_now + BYTE_CYCLES) next_byte = time_now + BYTE_CYCLES;
    if (queue_in - queue_out < QUEUE) queue[queue_in++ % QUEUE] = value;
}

static void inputs(uint8_t bits) { input_bits = bits; }

static void gate(bool level) {
    if (level && !gate_level && !interrupts_off) on_gate((uint32_t)(time_now / CYCLES_PER_TICK));
    gate_level = level;
}

static int fullest(void) { return received_most; }

const struct board host_board = {now, run, byte, inputs, gate, reset, hang, fullest};
