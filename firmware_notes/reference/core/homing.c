/* One axis after the other, Z first to have it out of the way: fast approach, back off, slow
   approach, clear of the switch. */
#include "core.h"

enum phase { APPROACH, BACK_OFF, SLOWLY, CLEAR_OF_IT };

static const int16_t travel_mm[3] = TRAVEL_MM;
static const uint8_t upwards[3] = HOMED_UPWARDS;
static uint8_t axis, phase;
static volatile uint8_t watched; /* bit of the axis whose switch ends the phase */
static volatile bool until_touched, met;

static void begin_phase(uint8_t next) {
    int16_t mm = next == APPROACH ? travel_mm[axis] + HOMING_EXTRA_MM
                 : next == BACK_OFF ? -BACK_OFF_MM
                 : next == SLOWLY ? BACK_OFF_MM
                                  : -CLEAR_MM;
    float mm_s = next == APPROACH ? HOMING_FAST_MM_S : HOMING_SLOW_MM_S;
    int32_t steps[AXES] = {0};
    phase = next;
    steps[axis] = (int32_t)(upwards[axis] ? mm : -mm) * steps_per_mm[axis];
    motion_plan(steps, axis == 2 ? mm_s * HOMING_Z_SHARE : mm_s, HOMING_ACCELERATION);
    LOCKED {
        met = false;
        until_touched = mm > 0;
        watched = phase == CLEAR_OF_IT ? 0 : (uint8_t)(1 << axis);
        if (state == HOMING) motion_go(); /* unless halted meanwhile */
    }
}

void homing_begin(void) {
    axis = AXES - 1;
    begin_phase(APPROACH);
}

/* A switch that is touched from the start ends the approach before it has begun. */
void homing_tick(uint8_t touched) {
    if (state != HOMING || !watched || met || ((touched & watched) != 0) != until_touched) return;
    motion_stop();
    met = true;
}

bool homing_poll(void) {
    if (!motion_over()) return false;
    if (phase == CLEAR_OF_IT ? hw_inputs() & 1 << axis : !met) halt(CAUSE_HOMING_FAILED);
    else if (phase != CLEAR_OF_IT) begin_phase((uint8_t)(phase + 1));
    else if (axis == 0) return true;
    else {
        axis--;
        begin_phase(APPROACH);
    }
    return false;
}
