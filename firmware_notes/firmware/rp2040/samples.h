// The interrupt part: each change of a pin becomes a sample (all pins, time) in a ring.
#pragma once

#include "board.h"

struct sample {
    ticks_t ticks;
    uint8_t pins;
    uint8_t watched;  // the pins whose changes made samples then
};

#define SAMPLES_ROOM 1024
extern struct sample samples_ring[SAMPLES_ROOM];
extern volatile uint32_t samples_head;  // written by the interrupt
extern volatile uint32_t samples_tail;  // written by the main loop
extern volatile uint8_t samples_watched;

// Which inputs nobody watched before the sample that samples_recover() gives.
enum blind { BLIND_NONE, BLIND_EDGES, BLIND_ALL };

void samples_start(void);

// How many samples wait; 255 when there are more.
static inline uint8_t samples_waiting(void) {
    uint32_t waiting = samples_head - samples_tail;
    return waiting < 255 ? waiting : 255;
}

// Takes the oldest; only when one waits.
static inline struct sample samples_take(void) {
    uint32_t tail = samples_tail;
    struct sample s = samples_ring[tail % SAMPLES_ROOM];
    __asm__ volatile("" ::: "memory");  // the slot is read before it is given back
    samples_tail = tail + 1;
    return s;
}

// Reads the timer; true when no sample older than that time waits.
static inline bool samples_none_before(ticks_t *ticks) {
    __asm__ volatile("cpsid i" ::: "memory");
    *ticks = TIMER_NOW;
    bool none = samples_head == samples_tail;
    __asm__ volatile("cpsie i" ::: "memory");
    return none;
}

// After the ring has run too full, inputs are shut off: contacts and index first, the encoder last.
static inline bool samples_shut(void) { return samples_watched != PINS_ALL; }

// As on the first board: opens them again and gives the pins as they are now.
enum blind samples_recover(struct sample *now);
