// The interrupt part: each change of a pin becomes a sample (all pins, time) in a ring.
#pragma once

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "board.h"

struct sample {
    uint8_t pins;     // port D as read
    uint16_t ticks;   // timer 1, half microseconds
    uint8_t watched;  // the pins whose changes made samples then
};  // 4 bytes: 64 samples are 256, and an offset of one byte wraps by itself

#define SAMPLES_ROOM 64
extern struct sample samples_ring[SAMPLES_ROOM];

// Offsets into the ring in bytes. They live in registers made for general use, which are read and
// written in one cycle; each has one writer.
#define SAMPLES_HEAD GPIOR0  // written by the interrupt
#define SAMPLES_TAIL GPIOR1  // written by the main loop

// Which inputs nobody watched before the sample that samples_recover() gives.
enum blind { BLIND_NONE, BLIND_EDGES, BLIND_ALL };

void samples_start(void);

// How many samples wait.
static inline uint8_t samples_waiting(void) {
    return (uint8_t)(SAMPLES_HEAD - SAMPLES_TAIL) / sizeof(struct sample);
}

// Takes the oldest; only when one waits.
static inline struct sample samples_take(void) {
    uint8_t tail = SAMPLES_TAIL;
    struct sample s = *(struct sample *)((uint8_t *)samples_ring + tail);
    __asm__ volatile("" ::: "memory");  // the slot is read before it is given back
    SAMPLES_TAIL = tail + sizeof(struct sample);
    return s;
}

// Reads the timer; true when no sample older than that time waits.
static inline bool samples_none_before(ticks_t *ticks) {
    cli();  // the two bytes of the timer go through one latch, which the interrupt uses too
    *ticks = TCNT1;
    bool none = SAMPLES_HEAD == SAMPLES_TAIL;
    sei();
    return none;
}

// After the ring has run too full, inputs are shut off: contacts and index first, the encoder last.
static inline bool samples_shut(void) { return PCMSK2 != PINS_ALL; }

// Opens them again and gives the pins as they are now. Only when the ring is empty; BLIND_NONE, and
// nothing done, when a sample has come in meanwhile.
enum blind samples_recover(struct sample *now);
