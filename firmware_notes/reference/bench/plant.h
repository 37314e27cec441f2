/* The gantry and the hammer as the pins drive them. */
#ifndef PLANT_H
#define PLANT_H

#include <stdbool.h>
#include <stdint.h>

#define PLANT_AXES 3

struct plant {
    int32_t at[PLANT_AXES];     /* steps from the homed place */
    uint64_t steps[PLANT_AXES]; /* made so far, both ways */
    int32_t lowest[PLANT_AXES], highest[PLANT_AXES];
    bool motors, hammer;
    uint64_t pulses, hammer_since, last_step, longest_pulse;
    uint64_t step_since[PLANT_AXES], shortest_step; /* 0: not known */
    uint8_t forced; /* inputs pressed by hand, as in hw.h */
    uint32_t gate_us[4]; /* edges after the start of a pulse; 0: none */
};

extern const int16_t plant_steps_per_mm[PLANT_AXES];
void plant_put(struct plant *plant, const double mm[PLANT_AXES]);
bool plant_step(struct plant *plant, uint8_t axis, bool downwards, uint64_t now);
bool plant_hammer(struct plant *plant, bool on, uint64_t now); /* true when it changed */
uint8_t plant_inputs(const struct plant *plant);

#endif
