/* What the core asks of a board, and what a board tells the core.

   Functions named hw_ belong to the board, on_ to the core. The on_ functions are called from
   interrupts, or at least never while the main loop holds the lock. */
#ifndef HW_H
#define HW_H

#include <stdbool.h>
#include <stdint.h>

#define TIMER_HZ 2000000UL /* step intervals and gate edges: half microseconds */

/* Texts stay in flash on a chip that has little memory. */
#ifdef __AVR__
#include <avr/pgmspace.h>
#define FLASH PROGMEM
#define TEXT(s) PSTR(s)
#define flash_byte(p) pgm_read_byte(p)
#else
#define FLASH
#define TEXT(s) (s)
#define flash_byte(p) (*(const uint8_t *)(p))
#endif

/* Inputs: 1 is the alarmed side. Limits are bits 0, 1, 2 for X, Y, Z. */
#define INPUT_HALT 0x08
#define INPUT_DRIVER 0x10

uint8_t hw_lock(void); /* interrupts off; returns what hw_unlock wants back */
void hw_unlock(uint8_t was);
/* What follows runs without interrupts. No return, break or goto may leave it. */
#define LOCKED for (uint8_t was_ = hw_lock(), once_ = 1; once_; hw_unlock(was_), once_ = 0)

uint32_t hw_micros(void);
uint8_t hw_inputs(void);
void hw_send(char c); /* waits while the send buffer is full; main loop only */
int hw_receive(void); /* next byte from the computer, or -1 */

void hw_motors(bool energised);
void hw_directions(uint8_t downwards); /* bit 0 X, 1 Y, 2 Z */
void hw_steps(uint8_t axes);           /* one step of each; called from on_step */
void hw_start_steps(uint16_t ticks);   /* on_step after so many ticks */
void hw_stop_steps(void);

/* Solenoid on now and off after `us` by the timer's own output, whatever the program does
   meanwhile. Returns hw_micros at the start. Called with the lock held. */
uint32_t hw_hammer_pulse(uint16_t us);
void hw_hammer_off(void);

/* The core. */
void core_start(bool by_watchdog);
bool core_poll(void); /* one round of the main loop; false when there was nothing to do */

bool on_byte(char c);         /* every byte as it arrives; true when it completed a HALT */
void on_tick(void);           /* every TICK_US */
uint16_t on_step(void);       /* the step timer; returns ticks to the next call, 0 for none */
void on_pulse_end(void);      /* the timer has switched the solenoid off */
void on_gate(uint32_t ticks); /* a flag of the hammer entered a light barrier */

#endif
