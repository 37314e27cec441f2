#include "plant.h"

#include <math.h>

#include "../config.h"

const int16_t plant_steps_per_mm[PLANT_AXES] = STEPS_PER_MM;

void plant_put(struct plant *plant, const double mm[PLANT_AXES]) {
    for (int i = 0; i < PLANT_AXES; i++) {
        plant->at[i] = (int32_t)lround(mm[i] * plant_steps_per_mm[i]);
        plant->lowest[i] = plant->highest[i] = plant->at[i];
    }
}

bool plant_step(struct plant *plant, uint8_t axis, bool downwards, uint64_t now) {
    plant->last_step = plant->step_since[axis] = now;
    plant->steps[axis]++;
    if (!plant->motors) return false; /* drivers without current do not turn the motor */
    plant->at[axis] += downwards ? -1 : 1;
    if (plant->at[axis] < plant->lowest[axis]) plant->lowest[axis] = plant->at[axis];
    if (plant->at[axis] > plant->highest[axis]) plant->highest[axis] = plant->at[axis];
    return true;
}

bool plant_hammer(struct plant *plant, bool on, uint64_t now) {
    if (on == plant->hammer) return false;
    plant->hammer = on;
    if (on) {
        plant->pulses++;
        plant->hammer_since = now;
    } else if (now - plant->hammer_since > plant->longest_pulse) {
        plant->longest_pulse = now - plant->hammer_since;
    }
    return true;
}

/* The switches lie CLEAR_MM beyond the homed place: below it for X and Y, above it for Z. */
uint8_t plant_inputs(const struct plant *plant) {
    uint8_t bits = plant->forced;
    for (int i = 0; i < PLANT_AXES; i++) {
        int32_t clear = CLEAR_MM * plant_steps_per_mm[i];
        bool touched = i == 2 ? plant->at[i] >= clear : plant->at[i] <= -clear;
        if (touched) bits |= (uint8_t)(1 << i);
    }
    return bits;
}
