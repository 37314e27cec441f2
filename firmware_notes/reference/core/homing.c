#include "homing.h"

#include "config.h"
#include "motion.h"
#include "state.h"

enum phase { APPROACH, BACK_OFF, SLOWLY, CLEAR_OF_IT };

static const int16_t travel_mm[3] = TRAVEL_MM;
static const uint8_t upwards[3] = HOMED_UPWARDS;
static uint8_t axis, phase; /* axes from the last to the first: Z is lifted out of the way first */
static volatile uint8_t watched;   /* bit of the axis whose switch ends the phase */
static volatile bool until_touched;
static volatile bool met;          /* the switch did what the phase waits for */

static void begin(int16_t mm, float mm_s) {
    int32_t steps[AXES] = {0};
    bool towards = mm > 0;
    steps[axis] = (int32_t)mm * steps_per_mm[axis];
    if (!upwards[axis]) steps[axis] = -steps[axis];
    if (axis == 2) mm_s *= HOMING_Z_SHARE;
    motion_plan(steps, mm_s, HOMING_ACCELERATION);
    motion_poll();
    uint8_t was = hw_lock();
    met = false;
    until_touched = towards;
    watched = phase == CLEAR_OF_IT ? 0 : (uint8_t)(1 << axis);
    if (state == HOMING) motion_go(); /* unless halted meanwhile */
    hw_unlock(was);
}

static void begin_phase(uint8_t next) {
    phase = next;
    switch (phase) {
    case APPROACH: begin(travel_mm[axis] + HOMING_EXTRA_MM, HOMING_FAST_MM_S); break;
    case BACK_OFF: begin(-BACK_OFF_MM, HOMING_SLOW_MM_S); break;
    case SLOWLY: begin(BACK_OFF_MM, HOMING_SLOW_MM_S); break;
    default: begin(-CLEAR_MM, HOMING_SLOW_MM_S); break;
    }
}

void homing_begin(void) {
    axis = AXES - 1;
    begin_phase(APPROACH);
}

/* A switch that is touched from the start ends the approach before its first step. */
void homing_tick(uint8_t touched) {
    if (state != HOMING || !watched || met) return;
    if (((touched & watched) != 0) == until_touched) {
        motion_stop();
        met = true;
    }
}

bool homing_poll(void) {
    if (!motion_over()) return false;
    uint8_t was = hw_lock();
    bool right = phase == CLEAR_OF_IT ? (hw_inputs() & 1 << axis) == 0 : met;
    hw_unlock(was);
    if (!right) {
        halt(CAUSE_HOMING_FAILED);
    } else if (phase != CLEAR_OF_IT) {
        begin_phase((uint8_t)(phase + 1));
    } else if (axis > 0) {
        axis--;
        begin_phase(APPROACH);
    } else {
        return true;
    }
    return false;
}
