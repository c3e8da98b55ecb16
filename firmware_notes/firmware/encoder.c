#include "encoder.h"

#include "board.h"

#define DWELL_LIMIT_US 65536

struct encoder encoder;
static uint8_t direction = UP;  // of the last step that had one

// AB = 00, 10, 11, 01 are states 0, 1, 2, 3.
static uint8_t state_of(uint8_t pins) {
    uint8_t ba = (pins >> PIN_SHIFT) & 3;
    return ba ^ (ba >> 1);
}

void encoder_start(uint8_t pins) { encoder.count = state_of(pins); }

static void move_up(void) {
    encoder.count++;
    encoder.back++;
    if (encoder.ahead) encoder.ahead--;
}

static void move_down(void) {
    encoder.count--;
    encoder.ahead++;
    if (encoder.back) encoder.back--;
}

static void forget(void) {
    encoder.last_step = 0;
    encoder.before_last_step = 0;
}

static void __attribute__((noinline)) illegal(uint8_t state) {
    encoder.illegal++;
    encoder.breaks++;
    forget();
    while ((encoder.count & 3) != state) {
        if (direction == UP) {
            move_up();
        } else {
            move_down();
        }
    }
}

uint8_t encoder_change(uint8_t pins, uint32_t t_us) {
    uint8_t left = encoder.count & 3;
    uint8_t state = state_of(pins);
    uint8_t by = (state - left) & 3;
    if (by == 2) {
        illegal(state);
        return 0;
    }
    uint8_t step = by == 1 ? UP : DOWN;
    uint32_t dwell_us = t_us - encoder.last_us;
    if (step == encoder.last_step && dwell_us < DWELL_LIMIT_US) {
        encoder.dwell_us[left] += (uint16_t)dwell_us;
    } else {
        encoder.breaks++;
    }
    encoder.before_last_us = encoder.last_us;
    encoder.before_last_step = encoder.last_step;
    encoder.last_us = t_us;
    encoder.last_step = step;
    direction = step;
    if (step == UP) {
        move_up();
    } else {
        move_down();
    }
    return step;
}

void encoder_missed(uint8_t pins) { illegal(state_of(pins)); }

void encoder_age(uint32_t now_us) {
    const uint32_t old_us = 0x80000000;
    if (now_us - encoder.last_us >= old_us) encoder.last_step = 0;
    if (now_us - encoder.before_last_us >= old_us) encoder.before_last_step = 0;
}
