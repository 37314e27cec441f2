/* A bench around a simulated board: serial line, switches, gate, and a log of the pins. */
#ifndef BENCH_H
#define BENCH_H

#include <stdbool.h>
#include <stdint.h>

#define CYCLES_PER_S 16000000ULL
#define CYCLES_PER_US 16

/* What a board does for the bench. */
struct board {
    uint64_t (*now)(void);          /* cycles since power was switched on */
    void (*run)(uint64_t until);    /* calls bench_due in between */
    void (*byte)(uint8_t byte);     /* arrives, at the pace of the serial line */
    void (*inputs)(uint8_t bits);   /* as in hw.h: limits, halt, driver */
    void (*gate)(bool level);
    void (*reset)(void);
    void (*hang)(bool interrupts_off); /* the program stops doing anything of use */
    int (*fullest)(void);           /* bytes that were ever in the receive buffer, -1: unknown */
};

/* What a board tells the bench. */
void bench_byte(uint8_t byte);
void bench_hammer(bool on);
void bench_step(uint8_t axis, bool downwards);
void bench_step_over(uint8_t axis); /* the step pin is low again */
void bench_motors(bool energised);
void bench_restarted(void);
uint64_t bench_next(void); /* cycle of the next thing the bench does by itself */
void bench_due(void);

int bench_main(int argc, char **argv, const struct board *board);

#endif
