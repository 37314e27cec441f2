/* Random commands with right checksums, right and wrong numbers, at random moments, with resets,
   halt button, driver faults, lost interrupts and a noisy gate, against the core.

   fuzz COMMANDS SEED

   Whatever comes, on every step and every edge of the hammer: no axis beyond its limits, no step
   without a motion that was asked for, no step while the solenoid is on or after the computer fell
   silent, no pulse longer than asked or than allowed, none too soon after the last, none twice. */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../config.h"
#include "../core/core.h"
#include "hostboard.h"
#include "plant.h"

#define MS (1000ULL * CYCLES_PER_US)
#define NEVER UINT64_MAX

static const struct board *board = &host_board;
static const int16_t lowest_mm[3] = LOWEST_MM, highest_mm[3] = HIGHEST_MM;
static struct plant plant;
static uint64_t sent, pulse_us, last_pulse_start, last_pulse_length, last_heard, worst_silence;
static uint64_t answered, strikes_accepted, moves_accepted, homings_accepted, still, halts, by_code[16];
static uint64_t answer_owed; /* 1 + the number whose answer must be the next */
static char sent_name[16];   /* of the command whose answer is owed */
static unsigned sent_pulse;  /* its U */
static uint64_t pulses_before;
static uint64_t gate_edges[4], next_gate = 4;

/* -- chance ---------------------------------------------------------------------------------- */

static uint64_t chance_state;

static uint32_t chance(uint32_t below) { /* splitmix64 */
    uint64_t z = chance_state += 0x9E3779B97F4A7C15ULL;
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9ULL;
    z = (z ^ z >> 27) * 0x94D049BB133111EBULL;
    return (uint32_t)((z ^ z >> 31) % below);
}

static void broken(const char *format, ...) {
    va_list rest;
    va_start(rest, format);
    printf("BROKEN after %llu commands at %llu us: ", (unsigned long long)sent,
           (unsigned long long)(board->now() / CYCLES_PER_US));
    vprintf(format, rest);
    printf("\n");
    va_end(rest);
    exit(1);
}

/* -- what must never happen -------------------------------------------------------------------- */

void bench_step(uint8_t axis, bool downwards) {
    uint64_t now = board->now();
    if (!plant_step(&plant, axis, downwards, now)) broken("step with the drivers off");
    if (state != MOVING && state != HOMING) broken("step in state %d", state);
    if (plant.hammer) broken("step while the solenoid is on");
    uint64_t silence_now = now > last_heard ? now - last_heard : 0;
    if (silence_now > 500 * MS) broken("step %llu us after the last command", silence_now / 16);
    if (silence_now > worst_silence) worst_silence = silence_now;
    int32_t slack = state == HOMING ? (CLEAR_MM + 1) * plant_steps_per_mm[axis] : 4;
    if (plant.at[axis] < lowest_mm[axis] * plant_steps_per_mm[axis] - slack ||
        plant.at[axis] > highest_mm[axis] * plant_steps_per_mm[axis] + 4)
        broken("axis %d at step %d", axis, plant.at[axis]);
    board->inputs(plant_inputs(&plant));
}

void bench_hammer(bool on) {
    uint64_t now = board->now();
    if (!plant_hammer(&plant, on, now)) return;
    if (on) {
        if (state != STRIKING) broken("solenoid on in state %d", state);
        if (!answer_owed || strcmp(sent_name, "STRIKE")) broken("a pulse nobody asked for");
        pulse_us = sent_pulse;
        if (plant.pulses > 1 && now - last_pulse_start < last_pulse_length * 100 / DUTY_PERCENT)
            broken("pulse %llu us after one of %llu us", (now - last_pulse_start) / 16, last_pulse_length / 16);
        last_pulse_start = now;
        for (int i = 0; i < 4; i++) gate_edges[i] = now + (1 + chance(70000)) * CYCLES_PER_US;
        next_gate = 0;
    } else {
        last_pulse_length = now - last_pulse_start;
        if (last_pulse_length > pulse_us * CYCLES_PER_US || pulse_us > MAX_PULSE_US)
            broken("pulse of %llu us", last_pulse_length / 16);
    }
}

void bench_motors(bool energised) { plant.motors = energised; }

void bench_restarted(void) {
    bench_hammer(false);
    bench_motors(false);
}

uint64_t bench_next(void) { return next_gate < 4 ? gate_edges[next_gate] : NEVER; }

void bench_due(void) {
    if (next_gate < 4 && gate_edges[next_gate] <= board->now()) {
        next_gate++;
        board->gate(true);
        board->gate(false);
    }
}

/* -- what the board says ----------------------------------------------------------------------- */

static uint16_t crc_bit_by_bit(const char *text, size_t length) {
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= (unsigned)(uint8_t)text[i] << 8;
        for (int bit = 0; bit < 8; bit++) crc = (crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1) & 0xFFFF;
    }
    return (uint16_t)crc;
}

static bool board_session;  /* opened, as far as its answers say */
static unsigned board_next; /* the number it expects */

static void take_answer(const char *line) {
    unsigned number, code;
    if (sscanf(line, "A%u", &number) != 1) broken("answer without a number: %s", line);
    if (!answer_owed || number != answer_owed - 1) return; /* to a repeat */
    answer_owed = 0;
    answered++;
    if (sscanf(strchr(line, ' '), " NO %u", &code) == 1) {
        by_code[code & 15]++;
        if (!strcmp(sent_name, "STRIKE") && plant.pulses != pulses_before) broken("refused and struck");
    } else if (!strcmp(sent_name, "STRIKE")) {
        strikes_accepted++;
        if (plant.pulses != pulses_before + 1) broken("a strike that was no pulse");
    } else if (!strcmp(sent_name, "MOVE")) {
        moves_accepted++;
    } else if (!strcmp(sent_name, "HOME")) {
        homings_accepted++;
    }
}

void bench_byte(uint8_t byte) {
    static char line[128];
    static size_t length;
    unsigned crc;
    if (length >= LINE_MAX) broken("a line of more than %d bytes", LINE_MAX);
    line[length++] = (char)byte;
    if (byte != '\n') return;
    line[length] = 0;
    char *star = strchr(line, '*');
    if (!star || sscanf(star, "*%4X\n", &crc) != 1 || crc != crc_bit_by_bit(line, (size_t)(star - line)))
        broken("bad line %s", line);
    length = 0;
    if (line[0] == 'A') take_answer(line);
    if (line[0] == 'E' && strstr(line, "STILL")) still++;
    if (line[0] == 'E' && strstr(line, "HALTED")) halts++;
}

/* -- what is thrown at it ------------------------------------------------------------------------ */

static void transmit(const char *text, size_t length) {
    for (size_t i = 0; i < length; i++) board->byte((uint8_t)text[i]);
    board->run(board->now() + (length + 1) * 640);
}

static void random_number(char *into, int32_t low, int32_t high) {
    static const char *const ODD[] = {"-0", "0.0001", "-0.0001", "-0.9", "-0.3000", "99999999999", "214748.3647",
                                      "214748.3648", "2147483648", "-2147483649", "1e3", "", "-", ".", "5.",
                                      "00000000000012", "500.0001", "600", "600.00001", "65536", "4294967297"};
    if (chance(12) == 0) strcpy(into, ODD[chance(sizeof ODD / sizeof *ODD)]);
    else if (chance(3)) sprintf(into, "%d", low + (int32_t)chance((uint32_t)(high - low + 1)));
    else sprintf(into, "%d.%0*u", low + (int32_t)chance((uint32_t)(high - low + 1)), 1 + (int)chance(4), chance(10));
}

static void add_word(char *text, char letter, int32_t low, int32_t high) {
    char number[32];
    random_number(number, low, high);
    sprintf(text + strlen(text), " %c%s", letter, number);
}

static void random_move(char *text) {
    bool far = chance(60) == 0, edge = chance(60) == 0; /* mostly near the corner: that is quicker */
    strcpy(text, "MOVE");
    if (chance(30)) add_word(text, 'X', edge ? 499 : far ? -20 : 0, edge ? 501 : far ? 520 : 25);
    if (chance(30)) add_word(text, 'Y', edge ? 599 : far ? -20 : 0, edge ? 601 : far ? 620 : 25);
    if (chance(30) == 0) add_word(text, 'Z', -70, 10);
    if (chance(30)) add_word(text, 'F', chance(9) ? 3000 : 1, 40000);
    if (chance(60) == 0) add_word(text, (char)('A' + chance(26)), -1000, 1000);
}

static void random_command(char *text) {
    switch (chance(20)) {
    case 0: case 1: case 2: case 3: case 4: random_move(text); break;
    case 5: case 6: case 7: case 8: case 9:
        strcpy(text, "STRIKE");
        if (chance(30)) add_word(text, 'U', chance(9) ? 100 : -100, chance(9) ? 9000 : 70000);
        break;
    case 10:
        strcpy(text, "SET");
        if (chance(2)) add_word(text, 'A', chance(9) ? 1000 : 0, 6000);
        if (chance(2)) add_word(text, 'H', 40, 510);
        if (chance(2)) add_word(text, 'U', chance(9) ? 5000 : 0, 15000);
        break;
    case 11: strcpy(text, chance(4) ? "STATUS" : "HOME"); break;
    case 12: strcpy(text, chance(4) ? "STATUS" : "CLEAR"); break;
    case 13:
        strcpy(text, "GATE");
        add_word(text, 'N', 0, 70000);
        break;
    case 14:
        for (size_t i = 0, n = 1 + chance(30); i < n; i++, text[i] = 0)
            text[i] = (char)(chance(9) ? 'A' + chance(26) : ' ' + chance(94));
        break;
    default: strcpy(text, "STATUS"); break;
    }
}

static bool well_formed(const char *words) {
    size_t length = strlen(words);
    return length && !strchr(words, '*') && !strstr(words, "  ") && words[0] != ' ' && words[length - 1] != ' ';
}

/* Sends a command with a number of its own; says so where its answer is owed. */
static void send_numbered(unsigned number, const char *words) {
    char text[LINE_MAX + 64];
    int length = snprintf(text, sizeof text, "N%u %s", number, words);
    if (length > LINE_MAX - 6) return;
    length += sprintf(text + length, "*%04X\n", crc_bit_by_bit(text, (size_t)length));
    bool counted = board_session && number == board_next && well_formed(words);
    sent++;
    if (counted) {
        const char *u = strstr(words, " U");
        sscanf(words, "%15s", sent_name);
        sent_pulse = u ? (unsigned)strtoul(u + 2, NULL, 10) : 0;
        pulses_before = plant.pulses;
        answer_owed = 1 + (uint64_t)number;
        board_next = number == 65535 ? 1 : number + 1;
    }
    if (well_formed(words)) last_heard = board->now() + (uint64_t)length * 640;
    transmit(text, (size_t)length);
    if (counted && answer_owed) broken("no answer to %s", text);
}

static void greet(void) {
    static unsigned session;
    char text[64];
    session = (session + 1) % 65536;
    int length = sprintf(text, "N0 HELLO S%u P1", session);
    length += sprintf(text + length, "*%04X\n", crc_bit_by_bit(text, (size_t)length));
    last_heard = board->now() + (uint64_t)length * 640;
    transmit(text, (size_t)length);
    board_session = true;
    board_next = 1;
}

static void pass(uint64_t ms) { board->run(board->now() + ms * MS); }

/* Bring it to rest and home it, as a patient computer would. */
static void settle(void) {
    plant.forced &= (uint8_t)~(INPUT_HALT | INPUT_DRIVER);
    board->inputs(plant_inputs(&plant));
    pass(3);
    if (!board_session) greet();
    if (state == HALTED) send_numbered(board_next, "CLEAR");
    if (state == UNHOMED) send_numbered(board_next, "HOME");
    for (int i = 0; i < 3000 && (state == HOMING || state == MOVING || state == STRIKING); i++) {
        send_numbered(board_next, "STATUS");
        pass(30);
    }
}

static void mishap(void) {
    switch (chance(9)) {
    case 0: plant.forced ^= INPUT_HALT; break;
    case 1: plant.forced ^= INPUT_DRIVER; break;
    case 2:
        board->reset();
        board_session = false;
        break;
    case 3:
        board->hang(chance(2));
        pass(70);
        board_session = false;
        break;
    case 4: greet(); break;
    case 5: transmit("N0 HALT*AA80\n", 13); break;
    case 6: pass(chance(700)); break; /* the computer is silent */
    default:
        for (uint32_t i = chance(200); i > 0; i--) board->byte((uint8_t)chance(256));
        board->byte('\n');
        pass(10);
        break;
    }
    answer_owed = 0;
    board->inputs(plant_inputs(&plant));
}

int main(int argc, char **argv) {
    char words[256];
    uint64_t commands = argc > 1 ? strtoull(argv[1], NULL, 10) : 100000;
    chance_state = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    plant_put(&plant, (const double[3]){7, 7, -5});
    board->reset();
    board->inputs(plant_inputs(&plant));
    greet();
    while (sent < commands) {
        if (chance(400) == 0) mishap();
        if (!board_session || ((state == HALTED || state == UNHOMED) && chance(15) == 0)) settle();
        uint32_t kind = chance(20);
        unsigned number = board_next;
        if (kind == 0) number = chance(65536);                                      /* any */
        else if (kind == 1) number = (board_next + 65535 - 1 - chance(12)) % 65536; /* had before */
        random_command(words);
        send_numbered(number, words);
        if (chance(3) == 0) pass(chance(chance(8) ? 6 : 150));
        if (state == MOVING && chance(3)) settle();
    }
    settle();
    printf("commands %llu, answered %llu\n", (unsigned long long)sent, (unsigned long long)answered);
    printf("moves %llu, homings %llu, ends told %llu, strikes %llu, pulses %llu, halts told %llu\n",
           (unsigned long long)moves_accepted, (unsigned long long)homings_accepted,
           (unsigned long long)still, (unsigned long long)strikes_accepted,
           (unsigned long long)plant.pulses, (unsigned long long)halts);
    printf("refusals by code:");
    for (int i = 1; i < 14; i++) printf(" %d:%llu", i, (unsigned long long)by_code[i]);
    printf("\nsteps %llu %llu, lowest %d %d, highest %d %d, longest pulse %.1f us, longest silence with steps %.1f ms\n",
           (unsigned long long)plant.steps[0], (unsigned long long)plant.steps[1], plant.lowest[0],
           plant.lowest[1], plant.highest[0], plant.highest[1], (double)plant.longest_pulse / CYCLES_PER_US,
           (double)worst_silence / (double)MS);
    printf("%.0f s of board time, nothing broken\n", (double)board->now() / (double)CYCLES_PER_S);
    return 0;
}
