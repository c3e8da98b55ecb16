// Pins, timer, line and watchdog of an RP2040. Numbers of registers are those of its data sheet.
#include "board.h"

#include "clock.h"
#include "samples.h"
#include "supply.h"

#define CLEARS 0x3000  // writing there clears the bits that are 1
#define RESETS(offset) REGISTER(0x4000C000 + (offset))
#define XOSC(offset) REGISTER(0x40024000 + (offset))
#define PLL(offset) REGISTER(0x40028000 + (offset))
#define CLOCKS(offset) REGISTER(0x40008000 + (offset))
#define FUNCTION(pin) REGISTER(0x40014004 + 8 * (pin))
#define PAD(pin) REGISTER(0x4001C004 + 4 * (pin))
#define PIN_EVENTS REGISTER(0x400140F0)   // of pins 0 to 7, four bits each
#define PIN_ENABLED REGISTER(0x40014100)  // the same, those that interrupt
#define PIN_INTERRUPT (1 << 13)
#define ALARM_INTERRUPT (1 << 0)
#define GPIO_OE_SET REGISTER(0xD0000024)

#define USED (1 << 5 | 1 << 8 | 1 << 12 | 1 << 21 | 1 << 22)  // pins, pads, PLL, timer, line
#define UART_FUNCTION 2
#define PLAIN_FUNCTION 5
#define INPUT_PULLED_UP 0x4A

#define SHED_EDGES 900  // so many waiting: only the encoder may still interrupt
#define SHED_ALL 1000   // so many: nothing may

uint32_t clock_ahead_us;
struct sample samples_ring[SAMPLES_ROOM];
volatile uint32_t samples_head, samples_tail;
volatile uint8_t samples_watched;

// 12 MHz of the crystal, times 40, by 5 and by 2: 48 MHz for all, and a tick each microsecond.
static void clocks_start(void) {
    XOSC(0xC) = 47;
    XOSC(0) = 0xFABAA0;
    while (!(XOSC(4) & 1u << 31)) {
    }
    RESETS(CLEARS) = USED;
    while ((RESETS(8) & USED) != USED) {
    }
    CLOCKS(0x30) = 2;
    while (!(CLOCKS(0x38) & 1 << 2)) {
    }
    PLL(0) = 1;
    PLL(8) = 40;
    PLL(4 + CLEARS) = 1 | 1 << 5;
    while (!(PLL(0) & 1u << 31)) {
    }
    PLL(0xC) = 5 << 16 | 2 << 12;
    PLL(4 + CLEARS) = 1 << 3;
    CLOCKS(0x3C) = 1;
    while (!(CLOCKS(0x44) & 1 << 1)) {
    }
    CLOCKS(0x48) = 1 << 11;
    WATCHDOG(0x2C) = 1 << 9 | 12;
}

void line_start(void) {
    clocks_start();
    FUNCTION(0) = UART_FUNCTION;
    FUNCTION(1) = UART_FUNCTION;
    UART(0x24) = 6;  // 48 MHz / 16 / 500000
    UART(0x28) = 0;
    UART(0x2C) = 3 << 5 | 1 << 4;  // eight bits, with queues
    UART(0x30) = 1 << 9 | 1 << 8 | 1;
}

void lamp_start(void) {
    RESETS(CLEARS) = 1 << 5 | 1 << 8;
    FUNCTION(25) = PLAIN_FUNCTION;
    GPIO_OE_SET = LAMP;
}

void watchdog_start(void) {
    REGISTER(0x40010008) = 0x1FFFC;  // it resets all but the two oscillators
    watchdog_feed();
    WATCHDOG(0) = 1 << 30;
}

uint8_t reset_cause(void) {
    if (WATCHDOG(8)) return 8;
    uint32_t had = REGISTER(0x40064008);
    return (had & 1 << 8 ? 1 : 0) | (had & 1 << 16 ? 2 : 0);
}

// Both edges of the pins that are watched.
static void watch(uint8_t pins) {
    samples_watched = pins;
    uint32_t enabled = 0;
    for (uint8_t pin = 2; pin < 8; pin++) {
        if (pins >> pin & 1) enabled |= 0xCu << 4 * pin;
    }
    PIN_ENABLED = enabled;
}

void samples_start(void) {
    for (uint8_t pin = 2; pin < 8; pin++) {
        FUNCTION(pin) = PLAIN_FUNCTION;
        PAD(pin) = INPUT_PULLED_UP;  // an input left open is quiet
    }
    PIN_EVENTS = 0xCCCCCC00;
    watch(PINS_ALL);
    REGISTER(0x40054038) = 1;  // the alarm of the timer interrupts
    REGISTER(0xE000E100) = PIN_INTERRUPT | ALARM_INTERRUPT;
}

// It only wakes the chip.
void alarm_rang(void) { REGISTER(0x40054034) = 1; }

// The one interrupt. What changes after the pins were read interrupts once more.
void pins_changed(void) {
    PIN_EVENTS = 0xCCCCCC00;
    uint32_t head = samples_head;
    struct sample *s = &samples_ring[head % SAMPLES_ROOM];
    s->pins = board_pins();
    s->ticks = TIMER_NOW;
    s->watched = samples_watched;
    samples_head = ++head;
    uint32_t waiting = head - samples_tail;
    if (waiting >= SHED_EDGES) watch(waiting < SHED_ALL ? PINS_ENCODER : 0);
}

enum blind samples_recover(struct sample *now) {
    enum blind blind = BLIND_NONE;
    __asm__ volatile("cpsid i" ::: "memory");
    if (samples_head == samples_tail) {
        blind = samples_watched ? BLIND_EDGES : BLIND_ALL;
        PIN_EVENTS = 0xCCCCCC00;
        watch(PINS_ALL);
        now->pins = board_pins();
        now->ticks = TIMER_NOW;
        now->watched = PINS_ALL;
    }
    __asm__ volatile("cpsie i" ::: "memory");
    return blind;
}

// Nothing on this board measures its supply.
void supply_start(void) {}
void supply_poll(void) {}
uint16_t supply_lowest_mv(void) { return 0; }
