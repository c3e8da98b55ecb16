// A sensor rig: counts an encoder, times contact edges, reports both. It knows no degrees and no
// engines. The line format is in ../protocol.md.
//
// One interrupt, in the chip's own folder, writes each change of a pin, with its time, into a ring.
// All else is done here, in turns so short that neither the ring fills nor the line falls idle.
#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "clock.h"
#include "edges.h"
#include "encoder.h"
#include "foot.h"
#include "report.h"
#include "samples.h"
#include "serial.h"
#include "supply.h"

#define BUSY 24  // so many samples waiting: they go before characters

static uint8_t pins;         // as last seen
static uint32_t seen_us;     // when that was: all before has been looked at
static uint32_t watched_us;  // up to then contacts and index made samples

static uint8_t level_of(uint8_t pin) { return pins & pin ? 1 : 0; }

static void look_at_encoder(uint32_t t_us) {
    uint8_t step = encoder_change(pins, t_us);
    if (step) {
        edges_encoder_step(step, t_us);
    } else {
        edges_encoder_illegal();
    }
}

static void look_at_edges(uint8_t changed, uint32_t t_us) {
    if (changed & PIN_INDEX) edges_change(0, level_of(PIN_INDEX), t_us);
    if (changed & PIN_CONTACT1) edges_change(1, level_of(PIN_CONTACT1), t_us);
    if (changed & PIN_CONTACT2) edges_change(2, level_of(PIN_CONTACT2), t_us);
}

static void look_at(struct sample s) {
    uint32_t t_us = clock_at(s.ticks);
    uint8_t changed = s.pins ^ pins;
    if (s.watched == PINS_ALL) {
        watched_us = t_us;
    } else {
        changed &= PINS_ENCODER;  // when the others changed nobody knows: see look_again()
    }
    pins ^= changed;
    if (changed & PINS_ENCODER) look_at_encoder(t_us);
    if (changed & PINS_EDGES) look_at_edges(changed, t_us);
    if (changed & PIN_FOOT) foot_change(pins, t_us);
    seen_us = t_us;
}

// Some inputs were shut off for a while, since samples came too fast. True when they are open again
// and everything up to now is accounted for.
static bool look_again(void) {
    struct sample s;
    enum blind blind = samples_recover(&s);
    if (blind == BLIND_NONE) return false;
    uint32_t since_us = watched_us;
    seen_us = watched_us = clock_at(s.ticks);
    uint8_t changed = s.pins ^ pins;
    pins = s.pins;
    edges_lost++;
    if (blind == BLIND_ALL) {
        encoder_missed(pins);
        edges_encoder_illegal();
    } else if (changed & PINS_ENCODER) {
        look_at_encoder(seen_us);
    }
    if (changed & PIN_INDEX) edges_unseen(0, level_of(PIN_INDEX), since_us, seen_us);
    if (changed & PIN_CONTACT1) edges_unseen(1, level_of(PIN_CONTACT1), since_us, seen_us);
    if (changed & PIN_CONTACT2) edges_unseen(2, level_of(PIN_CONTACT2), since_us, seen_us);
    if (changed & PIN_FOOT) foot_change(pins, seen_us);
    return true;
}

static void start(void) {
    lamp_start();
    serial_start();
    supply_start();
    samples_start();
    pins = board_pins();
    encoder_start(pins);
    foot_start(pins);
    report_start(reset_cause());
    watchdog_start();
    interrupts_start();
}

int main(void) {
    start();
    for (;;) {
        watchdog_feed();
        bool accounted = false;
        if (samples_waiting()) {
            look_at(samples_take());
            if (samples_waiting() >= BUSY) continue;
        } else if (samples_shut()) {
            accounted = look_again();
        }
        serial_pump();
        if (serial_asked()) report_asked();
        if (!serial_idle()) continue;
        if (!accounted) {
            ticks_t ticks;
            if (!samples_none_before(&ticks) || samples_shut()) continue;
            seen_us = watched_us = clock_at(ticks);
        }
        supply_poll();
        edges_settle();
        report_poll(pins, seen_us);
        if (serial_idle()) board_rest();
    }
}
