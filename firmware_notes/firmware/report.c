#include "report.h"

#include <stdbool.h>
#include <stddef.h>

#include "board.h"
#include "edges.h"
#include "encoder.h"
#include "foot.h"
#include "serial.h"
#include "supply.h"

#define PROTOCOL 1
#define MOVING_EVERY_US 20000
#define STILL_EVERY_US 100000
#define MOST_DROPPED 250
#define WIDTHS_EVERY_US 250000
#define HEALTH_EVERY_US 1000000
#define HEALTH_AT_MOST_EVERY_US 200000
#define IDENTITY_EVERY_S 2
#define ANSWER_AT_MOST_EVERY_US 100000

static const char name[] FLASH = BOARD_NAME;

static uint8_t cause;
static bool say_restart, say_identity, asked;
static uint32_t identity_us, position_us, widths_us, health_us, second_us;
static uint32_t uptime_s;
static int32_t widths_count;
static uint32_t told_illegal, told_edges, told_lines;

void report_start(uint8_t reset_cause) {
    cause = reset_cause;
    say_restart = say_identity = true;
    widths_count = encoder.count;
}

void report_asked(void) { asked = true; }

static void restart(void) {
    say_restart = false;
    line_begin('R');
    line_number(cause);
    line_end();
}

static void identity(uint32_t now_us) {
    say_identity = asked = false;
    identity_us = now_us;
    line_begin('I');
    line_number(PROTOCOL);
    line_number(COUNTS_PER_TURN);
    line_number(CONTACTS);
    line_text(name);
    line_end();
}

static bool position_due(uint32_t now_us) {
    uint32_t since_us = now_us - position_us;
    bool moved = encoder.back || encoder.ahead;
    uint32_t every_us = moved ? MOVING_EVERY_US : STILL_EVERY_US;
    if (since_us < every_us) return false;
    // Positions that there was no time for are told as dropped, once fewer than ten a second came.
    for (uint8_t n = MOST_DROPPED; n && since_us >= STILL_EVERY_US + MOVING_EVERY_US; n--) {
        serial_drop();
        since_us -= MOVING_EVERY_US;
    }
    return true;
}

static void position(uint8_t pins, uint32_t now_us) {
    position_us = now_us;
    line_begin('P');
    line_number(now_us);
    line_number(encoder.count);
    line_number(encoder.back);
    line_number(encoder.ahead);
    line_number((uint8_t)(pins ^ PIN_FOOT) >> PIN_SHIFT);
    line_number(edges_held_us(now_us));
    line_number(encoder.illegal);
    line_number(edges_lost);
    line_end();
    encoder.back = encoder.ahead = 0;
}

static bool totals_grew(void) {
    return encoder.illegal != told_illegal || edges_lost != told_edges ||
           serial_dropped_lines != told_lines;
}

static bool health_due(uint32_t now_us) {
    uint32_t since_us = now_us - health_us;
    return since_us >= HEALTH_EVERY_US || (since_us >= HEALTH_AT_MOST_EVERY_US && totals_grew());
}

static void health(uint32_t now_us) {
    health_us = now_us;
    told_illegal = encoder.illegal;
    told_edges = edges_lost;
    told_lines = serial_dropped_lines;
    line_begin('H');
    line_number(now_us);
    line_number(uptime_s);
    line_number(told_illegal);
    line_number(told_edges);
    line_number(told_lines);
    line_number(supply_lowest_mv());
    line_end();
}

static void foot(uint8_t level, uint32_t t_us) {
    line_begin('F');
    line_number(level);
    line_number(t_us);
    line_end();
}

static void widths(uint32_t now_us) {
    widths_us = now_us;
    widths_count = encoder.count;
    line_begin('W');
    line_number(now_us);
    line_number(encoder.count);
    for (uint8_t i = 0; i < 4; i++) line_number(encoder.dwell_us[i]);
    line_number(encoder.breaks);
    line_end();
}

static void cut(const struct edge *e) {
    line_begin('X');
    line_number(e->input);
    line_number(e->left_out);
    line_number(e->first_us);
    line_number(e->t_us);
    line_number(e->longest_us[0]);
    line_number(e->longest_us[1]);
    line_end();
}

static void edge(const struct edge *e) {
    line_begin(e->input ? 'C' : 'Z');
    if (e->input) line_number(e->input);
    line_number(e->level);
    line_number(e->t_us);
    line_number(e->count);
    line_step(e->steps[0] & 3, e->before_us[0]);
    line_step(e->steps[0] >> 2, e->before_us[1]);
    line_step(e->steps[1] & 3, edge_after_us(e, 0));
    line_step(e->steps[1] >> 2, edge_after_us(e, 1));
    line_end();
}

static void each_second(uint32_t now_us) {
    if (now_us - second_us < 1000000) return;
    second_us += 1000000;
    uptime_s++;
    if (uptime_s % IDENTITY_EVERY_S == 0) say_identity = true;
    lamp_change();
    encoder_age(now_us);
}

void report_poll(uint8_t pins, uint32_t now_us) {
    each_second(now_us);
    uint8_t level;
    uint32_t t_us;
    const struct edge *e;
    if (say_restart) {
        restart();
    } else if (say_identity || (asked && now_us - identity_us >= ANSWER_AT_MOST_EVERY_US)) {
        identity(now_us);
    } else if (position_due(now_us)) {
        position(pins, now_us);
    } else if (health_due(now_us)) {
        health(now_us);
    } else if (foot_settled(now_us, &level, &t_us)) {
        foot(level, t_us);
    } else if (now_us - widths_us >= WIDTHS_EVERY_US && encoder.count != widths_count) {
        widths(now_us);
    } else if ((e = edges_ready(now_us))) {
        if (e->cut) {
            cut(e);
        } else {
            edge(e);
        }
        edges_sent();
    }
}
