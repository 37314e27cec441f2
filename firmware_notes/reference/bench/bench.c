/* Two ways to use a simulated board, see README.md: in step with a program that says how long to
   run (--lockstep), and in real time behind a pseudo-terminal. */
#define _GNU_SOURCE
#include "bench.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <pty.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "../hw.h"
#include "plant.h"

#define NEVER UINT64_MAX
#define SLICE (100 * CYCLES_PER_US)
#define GATE_FLAG_US 150 /* how long the flag stays in a light barrier */
#define OPENING_CYCLES (30000 * CYCLES_PER_US) /* from opening the port to the start of the board */

static const struct board *board;
static struct plant plant = {.gate_us = {0, 0, 0, 0}};
static FILE *told; /* where pins and clock are logged */
static bool lockstep, tell_steps;
static uint64_t clock_cycles, next_clock = NEVER, reset_due = NEVER;
static uint64_t gate_edges[8];
static uint8_t gate_next = 8;

/* -- what the board tells ------------------------------------------------------------------ */

static char out[1 << 16];
static size_t out_used;

void bench_byte(uint8_t byte) {
    if (out_used < sizeof out) out[out_used++] = (char)byte;
    if (lockstep && byte == '\n') {
        printf("line %llu %.*s", (unsigned long long)board->now(), (int)out_used, out);
        out_used = 0;
    }
}

static double mm(int axis) { return (double)plant.at[axis] / plant_steps_per_mm[axis]; }

void bench_hammer(bool on) {
    uint64_t now = board->now();
    if (!plant_hammer(&plant, on, now)) return;
    fprintf(told, "hammer %llu %d %.4f %.4f\n", (unsigned long long)now, on, mm(0), mm(1));
    if (!on) return;
    gate_next = 8;
    for (int8_t i = 3; i >= 0; i--) {
        if (!plant.gate_us[i]) continue;
        gate_edges[--gate_next] = now + (plant.gate_us[i] + GATE_FLAG_US) * CYCLES_PER_US;
        gate_edges[--gate_next] = now + plant.gate_us[i] * CYCLES_PER_US;
    }
}

void bench_step(uint8_t axis, bool downwards) {
    plant_step(&plant, axis, downwards, board->now());
    if (tell_steps)
        fprintf(told, "step %llu %d %d\n", (unsigned long long)board->now(), axis, downwards ? -1 : 1);
    board->inputs(plant_inputs(&plant));
}

void bench_step_over(uint8_t axis) {
    uint64_t length = board->now() - plant.step_since[axis];
    if (plant.shortest_step == 0 || length < plant.shortest_step) plant.shortest_step = length;
}

void bench_motors(bool energised) {
    if (energised == plant.motors) return;
    plant.motors = energised;
    fprintf(told, "motors %llu %d\n", (unsigned long long)board->now(), energised);
}

void bench_restarted(void) {
    bench_hammer(false);
    bench_motors(false);
    fprintf(told, "restart %llu\n", (unsigned long long)board->now());
    board->inputs(plant_inputs(&plant));
}

uint64_t bench_next(void) {
    uint64_t gate = gate_next < 8 ? gate_edges[gate_next] : NEVER;
    return gate < next_clock ? gate : next_clock;
}

void bench_due(void) {
    uint64_t now = board->now();
    while (gate_next < 8 && gate_edges[gate_next] <= now) board->gate(gate_next++ % 2 == 0);
    while (next_clock <= now) {
        fprintf(told, "clock %llu\n", (unsigned long long)next_clock);
        next_clock += clock_cycles;
    }
}

/* -- orders on standard input -------------------------------------------------------------- */

static void press(uint8_t bit, int pressed) {
    plant.forced = (uint8_t)(pressed ? plant.forced | bit : plant.forced & ~bit);
    board->inputs(plant_inputs(&plant));
}

static void send_text(const char *text) {
    unsigned value;
    int used;
    while (sscanf(text, "%2x%n", &value, &used) == 1) {
        board->byte((uint8_t)value);
        text += used;
    }
}

static void tell_counts(void) {
    printf("counts %llu %.4f %.4f %.4f %llu %llu %llu %llu %llu %llu %llu %d\n",
           (unsigned long long)board->now(), mm(0), mm(1), mm(2), (unsigned long long)plant.steps[0],
           (unsigned long long)plant.steps[1], (unsigned long long)plant.steps[2],
           (unsigned long long)plant.pulses, (unsigned long long)plant.last_step,
           (unsigned long long)plant.longest_pulse, (unsigned long long)plant.shortest_step,
           board->fullest());
}

/* One order; see README.md. */
static void obey(char *order) {
    unsigned long long number = 0;
    double place[3] = {0, 0, 0};
    int value = 0, axis = 0;
    if (!strncmp(order, "send ", 5)) {
        send_text(order + 5);
    } else if (sscanf(order, "run %llu", &number) == 1) {
        board->run(board->now() + number * CYCLES_PER_US);
        printf("now %llu\n", (unsigned long long)board->now());
    } else if (sscanf(order, "halt %d", &value) == 1) {
        press(INPUT_HALT, value);
    } else if (sscanf(order, "driver %d", &value) == 1) {
        press(INPUT_DRIVER, value);
    } else if (sscanf(order, "limit %d %d", &axis, &value) == 2 && axis >= 0 && axis < 3) {
        press((uint8_t)(1 << axis), value);
    } else if (sscanf(order, "place %lf %lf %lf", &place[0], &place[1], &place[2]) == 3) {
        plant_put(&plant, place);
        board->inputs(plant_inputs(&plant));
    } else if (!strncmp(order, "gate ", 5)) {
        memset(plant.gate_us, 0, sizeof plant.gate_us);
        sscanf(order, "gate %u %u %u %u", &plant.gate_us[0], &plant.gate_us[1], &plant.gate_us[2],
               &plant.gate_us[3]);
    } else if (sscanf(order, "steps %d", &value) == 1) {
        tell_steps = value != 0;
    } else if (sscanf(order, "hang %d", &value) == 1) {
        board->hang(value != 0);
    } else if (!strncmp(order, "reset", 5)) {
        board->reset();
    } else if (!strncmp(order, "counts", 6)) {
        tell_counts();
    } else {
        printf("what? %s\n", order);
    }
    fflush(stdout);
}

static int follow_orders(void) {
    static char order[1 << 15];
    while (fgets(order, sizeof order, stdin)) {
        order[strcspn(order, "\n")] = 0;
        obey(order);
    }
    return 0;
}

/* -- in real time behind a pseudo-terminal ------------------------------------------------- */

static volatile sig_atomic_t ending;

static void end(int signal_number) {
    (void)signal_number;
    ending = 1;
}

static int64_t monotonic_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static int open_terminal(const char *link, int *watch) {
    int ours, theirs; /* the latter stays open: closing a port must not end the line */
    char name[128];
    struct termios settings;
    if (openpty(&ours, &theirs, name, NULL, NULL)) return -1;
    tcgetattr(theirs, &settings);
    cfmakeraw(&settings);
    tcsetattr(theirs, TCSANOW, &settings);
    fcntl(ours, F_SETFL, O_NONBLOCK);
    if (*watch) {
        *watch = inotify_init1(IN_NONBLOCK);
        inotify_add_watch(*watch, name, IN_OPEN);
    } else {
        *watch = -1;
    }
    if (link) {
        unlink(link);
        if (symlink(name, link)) return -1;
    }
    printf("port %s\n", link ? link : name);
    fflush(stdout);
    return ours;
}

static void send_out(int terminal) {
    if (reset_due != NEVER) out_used = 0;
    while (out_used) {
        ssize_t n = write(terminal, out, out_used);
        if (n <= 0) {
            if (out_used > sizeof out / 2) out_used = 0; /* nobody reads */
            return;
        }
        memmove(out, out + n, out_used - (size_t)n);
        out_used -= (size_t)n;
    }
}

static void take_in(int terminal, int watch) {
    uint8_t bytes[512];
    ssize_t n;
    if (watch >= 0 && read(watch, bytes, sizeof bytes) > 0) reset_due = board->now() + OPENING_CYCLES;
    while ((n = read(terminal, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < n && reset_due == NEVER; i++) board->byte(bytes[i]);
}

/* Orders come in whole lines; the end of standard input ends the program. */
static bool take_orders(void) {
    static char order[1 << 12];
    static size_t used;
    ssize_t n = read(STDIN_FILENO, order + used, sizeof order - used - 1);
    if (n <= 0) return false;
    used += (size_t)n;
    order[used] = 0;
    char *line = order, *line_end;
    while ((line_end = strchr(line, '\n'))) {
        *line_end = 0;
        obey(line);
        line = line_end + 1;
    }
    used = strlen(line);
    memmove(order, line, used);
    return true;
}

static int live(const char *link, bool reset_on_open, double speed) {
    int watch = reset_on_open;
    int terminal = open_terminal(link, &watch);
    if (terminal < 0) {
        perror("pseudo-terminal");
        return 3;
    }
    struct sigaction action = {.sa_handler = end};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    double ns_per_cycle = 1e9 / (double)CYCLES_PER_S / speed;
    int64_t began_ns = monotonic_ns();
    uint64_t began = board->now(), next = began;
    fprintf(told, "start %llu %lld\n", (unsigned long long)began, (long long)began_ns);
    while (!ending) {
        next += SLICE;
        board->run(next);
        if (reset_due <= board->now()) {
            board->reset();
            reset_due = NEVER;
        }
        send_out(terminal);
        fflush(told);
        int64_t due = began_ns + (int64_t)((double)(board->now() - began) * ns_per_cycle);
        int64_t early = due - monotonic_ns();
        if (early < -500000000) { /* half a second behind: catching up would help nobody */
            began_ns = monotonic_ns();
            began = board->now();
            fprintf(told, "start %llu %lld\n", (unsigned long long)began, (long long)began_ns);
        }
        struct timespec wait = {0, early > 0 ? (long)early : 0};
        struct pollfd files[2] = {{terminal, POLLIN, 0}, {STDIN_FILENO, POLLIN, 0}};
        while (ppoll(files, 2, &wait, NULL) > 0) {
            if (files[0].revents) take_in(terminal, watch);
            if (files[1].revents && !take_orders()) ending = 1;
            early = due - monotonic_ns();
            if (early <= 0 || ending) break;
            wait.tv_nsec = (long)early;
        }
        if (watch >= 0) take_in(terminal, watch);
    }
    if (link) unlink(link);
    return 0;
}

/* -- options ------------------------------------------------------------------------------- */

static FILE *log_file(const char *name) {
    if (!strncmp(name, "fd:", 3)) return fdopen(atoi(name + 3), "w");
    return fopen(name, "w"); /* on a FIFO this waits for its reader */
}

int bench_main(int argc, char **argv, const struct board *which) {
    static const struct option OPTIONS[] = {
        {"lockstep", no_argument, NULL, 'l'},   {"link", required_argument, NULL, 'L'},
        {"log", required_argument, NULL, 'o'},  {"steps", no_argument, NULL, 's'},
        {"clock-ms", required_argument, NULL, 'c'}, {"reset-on-open", no_argument, NULL, 'r'},
        {"speed", required_argument, NULL, 'S'}, {"place", required_argument, NULL, 'p'},
        {"gate", required_argument, NULL, 'g'}, {NULL, 0, NULL, 0}};
    const char *link = NULL;
    double speed = 1.0, place[3] = {20, 20, -5};
    bool reset_on_open = false;
    int option;
    board = which;
    told = stdout;
    while ((option = getopt_long(argc, argv, "", OPTIONS, NULL)) != -1) switch (option) {
        case 'l': lockstep = true; break;
        case 'L': link = optarg; break;
        case 's': tell_steps = true; break;
        case 'r': reset_on_open = true; break;
        case 'S': speed = atof(optarg); break;
        case 'c': clock_cycles = strtoull(optarg, NULL, 10) * 1000 * CYCLES_PER_US; break;
        case 'p': sscanf(optarg, "%lf,%lf,%lf", &place[0], &place[1], &place[2]); break;
        case 'g':
            sscanf(optarg, "%u,%u,%u,%u", &plant.gate_us[0], &plant.gate_us[1], &plant.gate_us[2],
                   &plant.gate_us[3]);
            break;
        case 'o':
            told = log_file(optarg);
            if (!told) {
                perror(optarg);
                return 2;
            }
            break;
        default: return 2;
        }
    if (speed <= 0) return 2;
    plant_put(&plant, place);
    if (clock_cycles) next_clock = clock_cycles;
    board->reset();
    return lockstep ? follow_orders() : live(link, reset_on_open, speed);
}
