// Runs the firmware, instruction by instruction, on a simulated ATmega328P.
//
//     chip ELF               events on standard input, sent bytes on standard output,
//                            as fast as this machine can
//     chip --live ELF        the same at the pace of the clock on the wall, with the serial line on
//                            a pseudo-terminal whose path is printed
//
//     --seconds S            stop after so much simulated time (else half a second after the last
//                            event; live: when interrupted, or when
//                            what started it has ended)
//     --times FILE           for each byte sent, a line: its time in microseconds and its value
//     --facts                at the end, on standard error: how much of the stack was never used
//
// An event is a line: a time in microseconds since power came on, not falling, and one of
//
//     pin NAME LEVEL         a b index foot contact1 contact2 to 0 or 1
//     host HEX               bytes from the host, at the speed of the line
//     poke SYMBOL WIDTH N    a variable of the firmware: so many bytes, a number
//     supply MILLIVOLTS
//     reset CAUSE            bits: 1 power on, 2 reset line, 4 supply dip
//     hang                   the program stops with interrupts off, as after a fault
//
// Pins rest at 0, the foot switch at 1, until an event says otherwise.
#define _GNU_SOURCE
#include <getopt.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "events.h"
#include "line.h"

#define CYCLES_PER_US 16
#define CYCLES_PER_BYTE 320  // ten bits at 500000 a second
#define CYCLES_PER_ENTRY 4   // from an interrupt to its vector, which the simulator leaves out
#define LIVE_STEP (1000 * CYCLES_PER_US)
#define AFTER_LAST (500000 * CYCLES_PER_US)
#define MCUSR 0x54  // data address: what reset the chip
#define DATA 0x800000
#define PAINT 0xA5

static const struct {
    const char *name;
    int pin;
} PINS[] = {{"a", 2}, {"b", 3}, {"index", 4}, {"foot", 5}, {"contact1", 6}, {"contact2", 7}};
#define PIN_COUNT (sizeof PINS / sizeof PINS[0])

static avr_t *avr;
static elf_firmware_t firmware;
static uint8_t levels = 1 << 5;  // of port D, from outside
static bool was_reset;
static void (*chip_reset)(struct avr_t *);
static FILE *times;

static avr_uart_t *uart;

static uint8_t from_host[8192];
static size_t host_begin, host_end;
static avr_cycle_count_t host_free_at;  // when the next byte from the host can have come

static _Noreturn void fail(const char *what, const char *detail) {
    fprintf(stderr, "chip: %s%s\n", what, detail);
    exit(2);
}

static void drive_pins(void) {
    avr_ioport_external_t outside = {.name = 'D', .mask = 0xFC, .value = levels};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &outside);
    for (size_t i = 0; i < PIN_COUNT; i++) {
        int pin = PINS[i].pin;
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), levels >> pin & 1);
    }
}

static uint32_t address_of(const char *symbol) {
    for (uint32_t i = 0; i < firmware.symbolcount; i++) {
        if (!strcmp(firmware.symbol[i]->symbol, symbol)) return firmware.symbol[i]->addr;
    }
    fail("the firmware has no symbol ", symbol);
}

// The simulator's own reset forgets the levels at the pins, and some settings.
static void put_back(void) {
    was_reset = false;
    avr->run_cycle_limit = LIVE_STEP;  // else it looks up after each instruction
    // The same for the two interrupts of their own that pins have, which the firmware never uses.
    for (uint8_t i = 0; i < 2; i++) avr_extint_set_strict_lvl_trig(avr, i, 0);
    drive_pins();
}

static void on_reset(struct avr_t *a) {
    chip_reset(a);
    was_reset = true;
}

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    uart->cycles_per_byte = CYCLES_PER_BYTE;  // the simulator counts a bit too many
    line_send(value);
    if (times) fprintf(times, "%.4f %u\n", (double)avr->cycle / CYCLES_PER_US, value & 0xFF);
}

static void on_interrupt(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    if (value) avr->cycle += CYCLES_PER_ENTRY;
}

static void log_errors(avr_t *a, const int level, const char *format, va_list arguments) {
    (void)a;
    // That bytes from the host overran the firmware is part of some runs, and no error of them.
    if (level <= LOG_ERROR && !strstr(format, "overrun")) vfprintf(stderr, format, arguments);
}

static void pin_event(const struct event *e) {
    for (size_t i = 0; i < PIN_COUNT; i++) {
        if (strcmp(PINS[i].name, e->first)) continue;
        uint8_t bit = 1 << PINS[i].pin;
        levels = atoi(e->rest) ? levels | bit : levels & ~bit;
        return drive_pins();
    }
    fail("no pin is called ", e->first);
}

static void add_host_byte(uint8_t byte) {
    size_t next = (host_end + 1) % sizeof from_host;
    if (next == host_begin) return;  // the host is far too fast: lost
    from_host[host_end] = byte;
    host_end = next;
}

static void host_event(const struct event *e) {
    unsigned byte;
    for (const char *hex = e->first; sscanf(hex, "%2x", &byte) == 1; hex += 2) add_host_byte(byte);
}

static void poke_event(const struct event *e) {
    uint32_t to = address_of(e->first) - DATA;
    int width;
    long long value;
    if (sscanf(e->rest, "%d %lli", &width, &value) != 2 || width < 1 || width > 8 ||
        to + width > (uint32_t)avr->ramend + 1) {
        fail("poke needs a variable, a width and a number: ", e->first);
    }
    for (int i = 0; i < width; i++) avr->data[to + i] = value >> (8 * i);
}

static void reset(int cause) {
    avr_reset(avr);
    avr->data[MCUSR] = cause;
}

static void apply(const struct event *e) {
    if (!strcmp(e->what, "pin")) {
        pin_event(e);
    } else if (!strcmp(e->what, "host")) {
        host_event(e);
    } else if (!strcmp(e->what, "poke")) {
        poke_event(e);
    } else if (!strcmp(e->what, "supply")) {
        avr->vcc = avr->avcc = atoi(e->first);
    } else if (!strcmp(e->what, "reset")) {
        reset(atoi(e->first));
    } else if (!strcmp(e->what, "hang")) {
        avr->pc = address_of("_exit");
    } else {
        fail("no event is called ", e->what);
    }
}

static avr_cycle_count_t nothing(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)a, (void)when, (void)param;
    return 0;
}

static void give_host_byte(void) {
    if (host_begin == host_end || avr->cycle < host_free_at) return;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT),
                  from_host[host_begin]);
    host_begin = (host_begin + 1) % sizeof from_host;
    host_free_at = avr->cycle + CYCLES_PER_BYTE;
}

// Runs up to a cycle, or to the end of the instruction that passes it.
static void run(avr_cycle_count_t until) {
    while (avr->cycle < until) {
        give_host_byte();
        avr_cycle_count_t stop = until;
        if (host_begin != host_end && host_free_at < stop) stop = host_free_at;
        avr_cycle_timer_register(avr, stop - avr->cycle, nothing, NULL);
        while (avr->cycle < stop) {
            int state = avr_run(avr);
            if (state == cpu_Crashed || state == cpu_Done) fail("the program has stopped", "");
            if (was_reset) {
                put_back();
                break;  // its timers are gone
            }
        }
        avr_cycle_timer_cancel(avr, nothing, NULL);
    }
}

static void run_fast(double seconds) {
    struct event e;
    while (events_next(&e, true)) {
        if (seconds && e.t_us > seconds * 1e6) break;
        run(e.t_us * CYCLES_PER_US);
        apply(&e);
    }
    run(seconds ? (avr_cycle_count_t)(seconds * 1e6 * CYCLES_PER_US) : avr->cycle + AFTER_LAST);
}

static void wait_until(const struct timespec *start, avr_cycle_count_t cycle) {
    static bool told;
    struct timespec now, then = *start;
    uint64_t ns = then.tv_nsec + cycle * 1000 / CYCLES_PER_US;
    then.tv_sec += ns / 1000000000;
    then.tv_nsec = ns % 1000000000;
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (!told && now.tv_sec > then.tv_sec + 1) {
        fputs("chip: this machine cannot keep pace with the chip\n", stderr);
        told = true;
    }
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &then, NULL);
}

static void run_live(double seconds) {
    struct timespec start;
    struct event e;
    bool have = events_next(&e, true);
    pid_t parent = getppid();
    clock_gettime(CLOCK_MONOTONIC, &start);
    while ((!seconds || avr->cycle < seconds * 1e6 * CYCLES_PER_US) && getppid() == parent) {
        avr_cycle_count_t step_end = avr->cycle + LIVE_STEP;
        while (have || (have = events_next(&e, false))) {
            if (e.t_us * CYCLES_PER_US > step_end) break;
            run(e.t_us * CYCLES_PER_US);
            apply(&e);
            have = false;
        }
        run(step_end);
        line_flush();
        uint8_t bytes[256];
        size_t n = line_receive(bytes, sizeof bytes);
        for (size_t i = 0; i < n; i++) add_host_byte(bytes[i]);
        wait_until(&start, avr->cycle);
    }
}

static void start(const char *elf) {
    avr_global_logger_set(log_errors);
    if (elf_read_firmware(elf, &firmware)) fail("cannot read ", elf);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) fail("the simulator does not know the chip", "");
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = CYCLES_PER_US * 1000000;
    avr->vcc = avr->avcc = avr->aref = 5000;
    chip_reset = avr->reset;
    avr->reset = on_reset;
    uint32_t flags = 0;  // or it would sleep whenever the firmware looks for bytes from the host
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_byte, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, AVR_INT_ANY) + AVR_INT_IRQ_RUNNING,
                            on_interrupt, NULL);
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (!strcmp(io->kind, "uart")) uart = (avr_uart_t *)io;
    }
    uint32_t end = address_of("_end") - DATA;
    memset(avr->data + end, PAINT, avr->ramend + 1 - end);
    reset(1);
}

static void tell_facts(void) {
    uint32_t end = address_of("_end") - DATA, untouched = 0;
    while (end + untouched <= avr->ramend && avr->data[end + untouched] == PAINT) untouched++;
    fprintf(stderr, "stack_room_bytes %u stack_used_bytes %u cycles %llu\n",
            avr->ramend + 1 - end, avr->ramend + 1 - end - untouched,
            (unsigned long long)avr->cycle);
}

int main(int count, char **arguments) {
    static const struct option OPTIONS[] = {{"live", no_argument, NULL, 'l'},
                                            {"seconds", required_argument, NULL, 's'},
                                            {"times", required_argument, NULL, 't'},
                                            {"facts", no_argument, NULL, 'f'},
                                            {0}};
    double seconds = 0;
    bool live = false, facts = false;
    for (int o; (o = getopt_long(count, arguments, "", OPTIONS, NULL)) != -1;) {
        if (o == 'l') live = true;
        if (o == 's') seconds = atof(optarg);
        if (o == 'f') facts = true;
        if (o == 't' && !(times = fopen(optarg, "w"))) fail("cannot write ", optarg);
        if (o == '?') return 2;
    }
    if (optind + 1 != count) fail("which firmware? Give one ELF file", "");
    start(arguments[optind]);
    if (live) {
        const char *path = line_to_terminal();
        if (!path) fail("cannot open a pseudo-terminal", "");
        puts(path);
        fflush(stdout);
        run_live(seconds);
    } else {
        line_to_output();
        run_fast(seconds);
    }
    line_flush();
    if (times) fclose(times);
    if (facts) tell_facts();
    return 0;
}
