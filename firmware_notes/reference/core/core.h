/* What the parts of the core offer each other. Words, states and codes are those of protocol.md. */
#ifndef CORE_H
#define CORE_H

#include "../config.h"
#include "../hw.h"

/* -- line.c: lines taken apart and put together -- */
#define LINE_MAX 96 /* bytes with the LF */
#define WORDS_MAX 8
#define ANSWER_MAX 80
#define ONE 10000L /* values of words are ten-thousandths */

struct line {
    char kind;
    uint16_t number;
    uint8_t words;         /* more than WORDS_MAX: there were too many to keep */
    char *word[WORDS_MAX]; /* the first is the command */
};
struct words {
    int32_t value[4]; /* in the order of the letters asked for */
    uint8_t given;    /* bit per letter */
};
enum verdict { LINE_NOTHING, LINE_GARBLED, LINE_VALID };
/* Takes one byte; says at a line end what the line was. Its words live until the next byte. */
enum verdict line_take(char c, struct line *line);
/* False when a word is malformed or given twice; unknown ones are bad too unless `lenient`. */
bool words_read(const struct line *line, const char *letters, bool lenient, struct words *out);
uint16_t words_whole(const struct words *words, uint8_t index); /* decimals cut off, 0...65535 */
/* Begin a text, add words, end it with checksum, LF and a zero. Letter 0: none. */
void text_begin(char *into, char kind, uint16_t number);
void text_word(const char *flash_text);
void text_number(char letter, uint32_t value);
void text_decimal(char letter, int32_t value, uint8_t decimals);
void text_end(void);

/* -- session.c: sequence numbers and repeats -- */
void session_start(void);
void session_open(uint16_t session);
/* True when the command with this number is to be carried out now, for the first time; else what
   there is to say has been said. */
bool session_is_new(uint16_t number);
void session_garbled(void);
void session_answer(uint16_t number, bool accepted); /* begins an answer, which is kept */
void session_event(const char *flash_name);          /* begins an event */
void session_send(void);                             /* ends what was begun and sends it */

/* -- state.c: what may be done when, as data; halts; heartbeat -- */
enum state { UNHOMED, HOMING, IDLE, MOVING, STRIKING, HALTED };
enum refusal {
    UNKNOWN_COMMAND = 1, BAD_WORD, NOT_HOMED, BUSY, OUTSIDE_LIMITS, PULSE_TOO_LONG, DUTY_CYCLE,
    IS_HALTED, HALT_INPUT, NO_AXIS, NO_GATE, NOT_READY, NO_SESSION
};
enum cause {
    CAUSE_NONE, CAUSE_HALT_COMMAND, CAUSE_HALT_INPUT, CAUSE_LIMIT_INPUT, CAUSE_HEARTBEAT,
    CAUSE_DRIVER, CAUSE_HOMING_FAILED, CAUSE_WATCHDOG, CAUSE_HAMMER
};
enum command { SET, HOME, MOVE, STRIKE, CLEAR, GATE, STATUS, HALT, HELLO, NO_COMMAND };

extern volatile uint8_t state, cause; /* enum state, enum cause of the latest halt */
uint8_t state_refuses(enum command command); /* 0: it may be carried out */
const char *state_name(uint8_t which);       /* flash text */
bool state_enter(uint8_t from, uint8_t to);  /* false when a halt came first */
bool place_known(void);
/* Solenoid off, then motors off, position given up. From anywhere, interrupts included. */
void halt(uint8_t why);
bool halt_is_news(void); /* once for every halt */
extern volatile uint8_t silence, silence_limit; /* in steps of 2 ms since the last valid line */
#define SILENCE_LIMIT(ms) ((uint8_t)((ms) / 2 - 2)) /* early: a line may wait before it is read */
void heartbeat_tick(void);

/* -- hammer.c, gate.c -- */
void hammer_start(void);
extern uint16_t hammer_longest_us;
/* 0 and the time of the pulse, or the refusal; DUTY_CYCLE with the wait in `*t`, ms. */
uint8_t hammer_strike(uint16_t us, uint32_t *t);
void hammer_cut(void);
void hammer_tick(void);
void gate_open(uint16_t strike);
void gate_tick(void);
/* 0 when the result is there; speeds in 0.1 mm/s, 0 where there was nothing to see. */
uint8_t gate_result(uint16_t strike, uint32_t *in, uint32_t *out);

/* -- motion.c: straight moves from rest to rest; homing.c: finding the corner -- */
extern const int16_t steps_per_mm[3];
/* Relative steps; speed and acceleration along the way. Returns ms. Nothing moves before _go. */
uint32_t motion_plan(const int32_t steps[AXES], float mm_s, float mm_s2);
void motion_go(void);                   /* with the lock held */
void motion_stop(void);                 /* now, without a ramp; drivers hold */
bool motion_over(void);
bool motion_poll(void);                 /* from the main loop: prepares the steps to come */
void motion_made(int32_t made[AXES]);   /* steps so far, with their sign */
void homing_begin(void);                /* state is HOMING */
bool homing_poll(void);                 /* true when every axis has been found */
void homing_tick(uint8_t touched);      /* stops at once where a switch is touched or lets go */

/* -- commands.c -- */
void commands_start(void);
void commands_carry_out(struct line *line); /* begins the answer */
void commands_moved(void);                  /* the motion under way has ended: position, STILL */
void commands_homed(void);
void commands_say_halted(void);

#endif
