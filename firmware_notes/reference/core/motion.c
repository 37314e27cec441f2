/* Straight moves with limited speed and acceleration. */
#include <math.h>
#include <stdlib.h>

#include "core.h"

/* The main loop computes when steps are due, in groups of equal intervals of about GROUP_S; the
   timer interrupt only counts them out. The times of a group's ends are those of the closed form
   t(n): sqrt(2 n / a) while speeding up, so nothing adds up over a move. */
#define GROUP_S 0.002f
#define GROUPS 16 /* a power of two; 32 ms of work ahead of the main loop */
#define LEAST_TICKS 60
#define LONGEST_WAIT 30000U /* of one timer period; longer intervals are waited out in parts */

const int16_t steps_per_mm[3] = STEPS_PER_MM;

struct group {
    uint32_t interval; /* ticks / 256 */
    uint16_t count;
};
static struct group queue[GROUPS], now;
static volatile uint8_t head, tail;

/* The way, in steps of the axis that makes most of them. */
static uint16_t total, planned;
static float speeding_up, slowing_down; /* steps; the latter where it begins */
static float root_ticks, cruise_ticks;  /* ticks a root of steps, sqrt(2 / a); ticks a step */
static float group_gain, group_most;    /* steps of a group per root of steps; at most */
static uint16_t share[AXES];            /* steps of each axis */
static uint8_t downwards;

/* Counted by the interrupt. */
static volatile uint16_t done;
static volatile bool running;
static uint16_t error[AXES];
static uint32_t wait;
static uint8_t fraction, next_axes;

static float root(float n) { return n > 0.0f ? sqrtf(n) : 0.0f; }

uint32_t motion_plan(const int32_t steps[AXES], float mm_s, float mm_s2) {
    float squares = 0.0f;
    total = 0;
    downwards = 0;
    for (uint8_t i = 0; i < AXES; i++) {
        float mm = (float)steps[i] / (float)steps_per_mm[i];
        squares += mm * mm;
        share[i] = (uint16_t)labs(steps[i]);
        if (steps[i] < 0) downwards |= (uint8_t)(1 << i);
        if (share[i] > total) total = share[i];
    }
    planned = done = 0;
    head = tail = 0;
    if (total == 0) return 0;
    float scale = (float)total / sqrtf(squares); /* steps per mm of the way */
    float speed = mm_s * scale, acceleration = mm_s2 * scale, half = 0.5f * (float)total;
    speeding_up = speed * speed / (2.0f * acceleration);
    if (speeding_up > half) speeding_up = half;
    slowing_down = (float)total - speeding_up;
    root_ticks = (float)TIMER_HZ * sqrtf(2.0f / acceleration);
    cruise_ticks = (float)TIMER_HZ / speed;
    group_gain = GROUP_S * sqrtf(2.0f * acceleration);
    group_most = GROUP_S * speed;
    float ticks = 2.0f * root_ticks * root(speeding_up) + (slowing_down - speeding_up) * cruise_ticks;
    for (uint8_t i = 0; i < AXES; i++) error[i] = total / 2;
    for (uint8_t i = 0; i < 4; i++) motion_poll(); /* enough to begin with */
    return (uint32_t)(ticks * (1000.0f / (float)TIMER_HZ) + 0.5f);
}

/* Ticks from step `from` to step `to` of the way. */
static float ticks_between(float from, float to) {
    float ticks = 0.0f;
    if (from < speeding_up)
        ticks += root_ticks * (root(to < speeding_up ? to : speeding_up) - root(from));
    if (to > slowing_down) {
        float length = (float)total, begin = from > slowing_down ? from : slowing_down;
        ticks += root_ticks * (root(length - begin) - root(length - to));
    }
    float a = from > speeding_up ? from : speeding_up, b = to < slowing_down ? to : slowing_down;
    if (b > a) ticks += (b - a) * cruise_ticks;
    return ticks;
}

bool motion_poll(void) {
    if (planned >= total || (uint8_t)(head - tail) >= GROUPS) return false;
    uint16_t left = total - planned, near = planned < left ? planned : left - 1;
    float steps = group_gain * root((float)near);
    if (steps > group_most) steps = group_most;
    uint16_t count = steps > 1.0f ? (uint16_t)steps : 1;
    if (count > left) count = left;
    float ticks = ticks_between((float)planned, (float)(planned + count)) / (float)count;
    if (ticks < LEAST_TICKS) ticks = LEAST_TICKS;
    if (ticks > 8e6f) ticks = 8e6f;
    queue[head % GROUPS] = (struct group){(uint32_t)(ticks * 256.0f), count};
    planned += count;
    head++; /* only now may the interrupt see it */
    return true;
}

/* Which axes step together with the next step of the longest way. */
static uint8_t axes_due(void) {
    uint8_t axes = 0;
    for (uint8_t i = 0; i < AXES; i++) {
        uint16_t before = error[i];
        error[i] += share[i];
        if (error[i] >= total || error[i] < before) {
            error[i] -= total;
            axes |= (uint8_t)(1 << i);
        }
    }
    return axes;
}

static uint16_t part_of_wait(void) {
    uint16_t part = wait > 2 * LONGEST_WAIT ? LONGEST_WAIT : (uint16_t)wait;
    if (part > LONGEST_WAIT) part /= 2; /* never a tiny rest */
    wait -= part;
    return part;
}

static bool next_interval(void) {
    if (now.count == 0 && head == tail) return false;
    if (now.count == 0) now = queue[tail++ % GROUPS];
    now.count--;
    uint32_t interval = now.interval + fraction;
    fraction = (uint8_t)interval;
    wait = interval >> 8;
    return true;
}

void motion_go(void) {
    if (total == 0) return;
    now.count = fraction = 0;
    hw_motors(true);
    hw_directions(downwards);
    next_axes = axes_due();
    running = next_interval();
    if (running) hw_start_steps(part_of_wait());
}

uint16_t on_step(void) {
    if (!running) return 0;
    if (wait) return part_of_wait();
    if (next_axes) hw_steps(next_axes);
    if (next_axes && ++done == total) running = false;
    next_axes = 0;
    if (!running) return 0;
    if (!next_interval()) return LEAST_TICKS; /* the main loop is late: look again soon */
    next_axes = axes_due();
    return part_of_wait();
}

void motion_stop(void) {
    hw_stop_steps();
    running = false;
}

bool motion_over(void) { return !running; }

/* Rounded as axes_due rounds. */
void motion_made(int32_t made[AXES]) {
    uint16_t so_far;
    LOCKED so_far = done;
    for (uint8_t i = 0; i < AXES; i++) {
        uint32_t steps = total ? ((uint32_t)so_far * share[i] + total / 2) / total : 0;
        made[i] = downwards & 1 << i ? -(int32_t)steps : (int32_t)steps;
    }
}
