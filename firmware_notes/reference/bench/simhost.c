/* The firmware for a real chip, on libsimavr.   simhost MCU ELF [options of bench.c] */
#include <elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <avr_extint.h>
#include <avr_ioport.h>
#include <avr_timer.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <sim_irq.h>

#include "../hw.h"
#include "bench.h"

#define STRAIGHT_ON 0xCFFF /* rjmp to itself */
#define QUEUE 65536

/* Where the boards of ../avr have their pins. */
struct wiring {
    const char *mcu;
    char motion, enable, hammer, inputs, gate;
    uint8_t step_bit, direction_bit, enable_bit, hammer_bit, gate_bit;
    uint16_t compare_mode; /* data address of TCCRnA */
};
static const struct wiring BOARDS[] = {
    {"atmega328p", 'D', 'B', 'B', 'C', 'B', 2, 5, 1, 2, 0, 0x80},
    {"atmega2560", 'A', 'A', 'L', 'C', 'L', 0, 3, 6, 4, 1, 0x120},
};
static const struct wiring *wired;
static avr_t *avr;
static avr_irq_t *receives;
static uint8_t queue[QUEUE];
static size_t queue_in, queue_out;
static bool full, was_reset;
static uint8_t directions, input_levels;
static uint16_t fullest_at; /* data address of received_most */
static void (*core_reset)(avr_t *);

static avr_irq_t *pin(char port, int bit) {
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit);
}

/* -- from the chip ----------------------------------------------------------------------- */

static void sent(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    bench_byte((uint8_t)value);
}

static void room(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value;
    full = param != NULL;
}

static void step_pin(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    uint8_t axis = (uint8_t)(uintptr_t)param;
    if (value) bench_step(axis, directions >> axis & 1);
    else bench_step_over(axis);
}

static void direction_pin(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    uint8_t bit = (uint8_t)(1 << (uintptr_t)param);
    directions = (uint8_t)(value ? directions | bit : directions & ~bit);
}

static void enable_pin(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    bench_motors(!value);
}

/* simavr 1.6 raises a pin that is to be cleared on a match whenever the timer overflows or is set
   anew, as if the timer were in a PWM mode. A match set to clear cannot raise the pin of a chip,
   so such an edge is the simulator's. */
static void hammer_pin(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    uint8_t mode = avr->data[wired->compare_mode] >> 4 & 3;
    if (value & 1 && mode == 2) return;
    bench_hammer(value & 1);
    avr->run_cycle_limit = 1; /* come back: there may be edges of the gate to plan */
}

static void after_reset(avr_t *chip) {
    if (core_reset) core_reset(chip);
    full = false;
    was_reset = true;
    bench_restarted();
}

/* -- to the chip ------------------------------------------------------------------------- */

static uint64_t now(void) { return avr->cycle; }

/* Switches and barriers drive their pins; without the ioctl the simulator lets pull-ups win. */
static void drive(char port, uint8_t mask, uint8_t levels) {
    avr_ioport_external_t driven = {.name = (unsigned char)port, .mask = mask, .value = levels & mask};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &driven);
    for (int bit = 0; bit < 8; bit++)
        if (mask >> bit & 1) avr_raise_irq(pin(port, bit), levels >> bit & 1);
}

/* A reset clears the simulated pins but not what the simulator believes to have told them. */
static void drive_anew(char port, uint8_t mask, uint8_t levels) {
    drive(port, mask, (uint8_t)~levels);
    drive(port, mask, levels);
}

static void settle_after_reset(void) {
    was_reset = false;
    drive_anew(wired->inputs, 0x1F, input_levels);
    drive_anew(wired->gate, (uint8_t)(1 << wired->gate_bit), 0);
    /* Polling a low pin every cycle for an interrupt nobody enabled makes the simulator very slow. */
    for (uint8_t i = 0; i < EXTINT_COUNT; i++) avr_extint_set_strict_lvl_trig(avr, i, 0);
}

/* A sleeping chip is simulated up to its next timer, so what happens outside is one as well. */
static avr_cycle_count_t outside(avr_t *chip, avr_cycle_count_t when, void *param) {
    (void)chip, (void)when, (void)param;
    bench_due();
    return 0;
}

static avr_cycle_count_t stop_here(avr_t *chip, avr_cycle_count_t when, void *param) {
    (void)chip, (void)when, (void)param;
    return 0;
}

static void run(uint64_t until) {
    if (until <= avr->cycle) return;
    avr_cycle_timer_register(avr, until - avr->cycle, stop_here, NULL);
    while (avr->cycle < until) {
        if (was_reset) settle_after_reset();
        uint64_t next = bench_next();
        if (next <= avr->cycle) bench_due();
        else if (next < until && !avr_cycle_timer_status(avr, outside, NULL))
            avr_cycle_timer_register(avr, next - avr->cycle, outside, NULL);
        while (!full && queue_out != queue_in) avr_raise_irq(receives, queue[queue_out++ % QUEUE]);
        avr->run_cycle_limit = until - avr->cycle; /* as far as it may go without coming back */
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the simulated chip stopped\n");
            exit(4);
        }
    }
}

static void byte(uint8_t value) {
    if (queue_in - queue_out < QUEUE) queue[queue_in++ % QUEUE] = value;
}

static void inputs(uint8_t bits) {
    if (bits != input_levels) drive(wired->inputs, 0x1F, bits);
    input_levels = bits;
}

static void gate(bool level) {
    drive(wired->gate, (uint8_t)(1 << wired->gate_bit), level ? 0xFF : 0);
}

static void reset(void) {
    queue_out = queue_in;
    avr_reset(avr);
}

/* A crash: the program counter is lost in an endless loop. */
static void hang(bool interrupts_off) {
    while (!avr->sreg[S_I]) avr_run(avr);
    avr->flash[avr->flashend - 1] = STRAIGHT_ON & 0xFF;
    avr->flash[avr->flashend] = STRAIGHT_ON >> 8;
    avr->pc = avr->flashend - 1;
    avr->state = cpu_Running;
    if (interrupts_off) avr->sreg[S_I] = 0;
}

static int fullest(void) { return fullest_at ? avr->data[fullest_at] : -1; }

static void no_sleep(avr_t *chip, avr_cycle_count_t cycles) { (void)chip, (void)cycles; }

static void quiet(avr_t *chip, const int level, const char *format, va_list list) {
    (void)chip;
    if (level <= LOG_ERROR) vfprintf(stderr, format, list);
}

/* Data address of a variable by its name in the ELF file; 0 when it is not there. */
static uint16_t address_of(const char *elf, const char *name) {
    FILE *file = fopen(elf, "rb");
    Elf32_Ehdr header;
    uint16_t found = 0;
    if (!file || fread(&header, sizeof header, 1, file) != 1) return 0;
    Elf32_Shdr *sections = calloc(header.e_shnum, sizeof *sections);
    fseek(file, (long)header.e_shoff, SEEK_SET);
    if (!sections || fread(sections, sizeof *sections, header.e_shnum, file) != header.e_shnum) exit(4);
    for (int s = 0; s < header.e_shnum; s++) {
        if (sections[s].sh_type != SHT_SYMTAB) continue;
        Elf32_Shdr *strings = &sections[sections[s].sh_link];
        char *names = calloc(1, strings->sh_size + 1);
        fseek(file, (long)strings->sh_offset, SEEK_SET);
        if (!names || fread(names, 1, strings->sh_size, file) != strings->sh_size) exit(4);
        fseek(file, (long)sections[s].sh_offset, SEEK_SET);
        for (size_t i = 0; i < sections[s].sh_size / sizeof(Elf32_Sym); i++) {
            Elf32_Sym symbol;
            if (fread(&symbol, sizeof symbol, 1, file) != 1) exit(4);
            if (!strcmp(names + symbol.st_name, name)) found = (uint16_t)(symbol.st_value & 0xFFFF);
        }
        free(names);
    }
    free(sections);
    fclose(file);
    return found;
}

int main(int argc, char **argv) {
    static const struct board BOARD = {now, run, byte, inputs, gate, reset, hang, fullest};
    elf_firmware_t firmware;
    if (argc < 3) {
        fprintf(stderr, "usage: simhost atmega328p|atmega2560 FIRMWARE.elf [options]\n");
        return 2;
    }
    for (size_t i = 0; i < sizeof BOARDS / sizeof *BOARDS; i++)
        if (!strcmp(BOARDS[i].mcu, argv[1])) wired = &BOARDS[i];
    avr_global_logger_set(quiet);
    memset(&firmware, 0, sizeof firmware);
    if (!wired || elf_read_firmware(argv[2], &firmware) || !(avr = avr_make_mcu_by_name(wired->mcu))) {
        fprintf(stderr, "cannot simulate %s with %s\n", argv[1], argv[2]);
        return 2;
    }
    avr_init(avr);
    firmware.frequency = CYCLES_PER_S;
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep;
    fullest_at = address_of(argv[2], "received_most");
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    receives = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), room, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), room, avr);
    for (uintptr_t axis = 0; axis < 3; axis++) {
        avr_irq_register_notify(pin(wired->motion, wired->step_bit + (int)axis), step_pin, (void *)axis);
        avr_irq_register_notify(pin(wired->motion, wired->direction_bit + (int)axis), direction_pin,
                                (void *)axis);
    }
    avr_irq_register_notify(pin(wired->enable, wired->enable_bit), enable_pin, NULL);
    avr_irq_register_notify(pin(wired->hammer, wired->hammer_bit), hammer_pin, NULL);
    core_reset = avr->reset;
    avr->reset = after_reset;
    argv[2] = argv[0];
    return bench_main(argc - 2, argv + 2, &BOARD);
}
