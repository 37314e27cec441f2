/* What is compiled into this board. Lengths in mm, speeds in mm/s, times as named. */
#ifndef CONFIG_H
#define CONFIG_H

#define FIRMWARE_NAME "platerig-reference-1"
#define PROTOCOL_VERSION 1

#ifndef AXES
#define AXES 2 /* 3: with a Z axis, homed upwards, Z0 at its upper end, working places below */
#endif

/* 1.8 degree motors, 16 microsteps, 20-tooth pulley of 2 mm pitch; Z: screw of 8 mm lead. */
#define STEPS_PER_MM {80, 80, 400}
#define LOWEST_MM {0, 0, -60}
#define HIGHEST_MM {500, 600, 0}
#define TRAVEL_MM {500, 600, 60}
#define HOMED_UPWARDS {0, 0, 1}

#define MAX_SPEED_MM_S 250.0f /* 20 kHz on one axis */
#define MAX_Z_SPEED_MM_S 20.0f
#define MAX_ACCELERATION 4000
#define MIN_ACCELERATION 10

#define HOMING_FAST_MM_S 60.0f
#define HOMING_SLOW_MM_S 5.0f
#define HOMING_Z_SHARE 0.1f /* of these speeds */
#define HOMING_ACCELERATION 1000.0f
#define HOMING_EXTRA_MM 10 /* beyond the travel, before a switch counts as missing */
#define BACK_OFF_MM 10     /* at most, until the switch lets go */
#define CLEAR_MM 2         /* from the switch to the homed place */

#define MIN_PULSE_US 100
#define MAX_PULSE_US 12000
#define DUTY_PERCENT 10

#define HAS_GATE 1
#define GATE_DISTANCE_UM 5000 /* between the two light barriers */
#define GATE_WINDOW_MS 60     /* from the start of the pulse until the hammer is back */
#define GATE_DEAD_US 200      /* two edges of one hammer never come closer: 10 m/s are 500 us */

#define HEARTBEAT_MS 200
#define MIN_HEARTBEAT_MS 50
#define MAX_HEARTBEAT_MS 500

#define CREDIT_LINES 4
#define CREDIT_BYTES 96 /* of a receive buffer of 128; the rest is for HALT */
#define KEPT_ANSWERS 8

#define TICK_US 500 /* the slow clock: inputs, heartbeat, cooling */

#endif
