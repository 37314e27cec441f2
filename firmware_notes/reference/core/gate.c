/* The speed gate: four edges of one blow, two on the way in and two on the way out. */
#include "core.h"

#define DEAD_TICKS (GATE_DEAD_US * (TIMER_HZ / 1000000UL))
/* Speed in 0.1 mm/s of a flag that needs one tick from one barrier to the other. */
#define SPEED_TICKS (GATE_DISTANCE_UM * (TIMER_HZ / 100UL))

static uint16_t of_strike; /* 0: there was none */
static volatile uint8_t window, seen; /* ticks left; edges */
static volatile uint32_t edge[4]; /* timer ticks */

void gate_open(uint16_t strike) {
    LOCKED {
        of_strike = strike;
        seen = 0;
        window = GATE_WINDOW_MS * 1000UL / TICK_US;
    }
}

void on_gate(uint32_t ticks) {
    if (!window || seen == 4) return;
    if (seen && ticks - edge[seen - 1] < DEAD_TICKS) return; /* the same flag once more */
    edge[seen++] = ticks;
}

void gate_tick(void) { window -= window > 0; }

static uint32_t speed(uint8_t first) {
    uint32_t ticks = edge[first + 1] - edge[first];
    return (SPEED_TICKS + ticks / 2) / ticks;
}

uint8_t gate_result(uint16_t strike, uint32_t *in, uint32_t *out) {
    if (!of_strike || strike != of_strike || window) return NOT_READY;
    *in = seen >= 2 ? speed(0) : 0;
    *out = seen == 4 ? speed(2) : 0;
    return 0;
}
