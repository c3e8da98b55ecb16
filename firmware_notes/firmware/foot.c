#include "foot.h"

#include "board.h"

#define STILL_US 20000

static bool bouncing;
static uint8_t level_now, level_told;
static uint32_t first_us, last_us;

static uint8_t level_of(uint8_t pins) { return pins & PIN_FOOT ? 0 : 1; }

void foot_start(uint8_t pins) { level_now = level_told = level_of(pins); }

void foot_change(uint8_t pins, uint32_t t_us) {
    if (!bouncing) first_us = t_us;
    bouncing = true;
    last_us = t_us;
    level_now = level_of(pins);
}

bool foot_settled(uint32_t now_us, uint8_t *level, uint32_t *t_us) {
    if (!bouncing || now_us - last_us < STILL_US) return false;
    bouncing = false;
    if (level_now == level_told) return false;
    *level = level_told = level_now;
    *t_us = first_us;
    return true;
}
