#include "serial.h"

#include "board.h"
#include "crc32.h"
#include "encoder.h"

#define FIELDS 10  // of the longest record, number and CRC included

uint32_t serial_dropped_lines;
static uint16_t running_number;

// The record being sent. Field 0 is the running number, the last one is the CRC.
static char kind;
static uint8_t fields;
static char sign[FIELDS];  // 0 plain number, '+', '-', '.', or 'T' the text
static uint32_t value[FIELDS];
static const char *text;

// How far it has gone.
enum line_part serial_next;
static uint8_t field, digits;
static uint32_t crc;

void serial_start(void) { line_start(); }

static void add(char s, uint32_t v) {
    sign[fields] = s;
    value[fields++] = v;
}

void line_begin(char k) {
    kind = k;
    fields = 0;
    add(0, running_number++);
}

void line_number(uint32_t v) { add(0, v); }

void line_step(uint8_t step, uint32_t distance_us) {
    add(step == UP ? '+' : step == DOWN ? '-' : '.', distance_us);
}

void line_text(const char *t) {
    text = t;
    add('T', 0);
}

void line_end(void) {
    field = 0;
    crc = 0xFFFFFFFF;
    serial_next = LINE_KIND;
}

void serial_drop(void) {
    running_number++;
    serial_dropped_lines++;
}

static uint8_t byte_of(uint8_t which) { return ((uint8_t *)&value[field])[which]; }

static uint8_t digits_needed(void) {
    for (uint8_t i = 3; i; i--) {
        uint8_t b = byte_of(i);
        if (b) return 2 * i + (b > 15 ? 2 : 1);
    }
    return byte_of(0) > 15 ? 2 : 1;
}

static char next_digit(void) {
    digits--;
    uint8_t b = byte_of(digits >> 1);
    if (digits & 1) b >>= 4;
    b &= 15;
    return b < 10 ? '0' + b : 'A' - 10 + b;
}

static char next_char(void) {
    char c;
    switch (serial_next) {
        case LINE_KIND:
            serial_next = LINE_SPACE;
            return kind;
        case LINE_SPACE:
            if (field == fields) {  // the body is done; the space before the CRC is not part of it
                value[field] = ~crc;
                sign[field] = 0;
                digits = 8;
                serial_next = LINE_DIGITS;
                return ' ';
            }
            digits = digits_needed();
            c = sign[field];
            serial_next = c == 'T' ? LINE_TEXT : c ? LINE_SIGN : LINE_DIGITS;
            return ' ';
        case LINE_SIGN:
            c = sign[field];
            if (c != '.') {
                serial_next = LINE_DIGITS;
            } else {
                field++;
                serial_next = LINE_SPACE;
            }
            return c;
        case LINE_DIGITS:
            if (!digits) {
                serial_next = LINE_IDLE;
                return '\n';
            }
            c = next_digit();
            if (!digits && field != fields) {
                field++;
                serial_next = LINE_SPACE;
            }
            return c;
        default:
            c = flash_char(text++);
            if (!flash_char(text)) {
                field++;
                serial_next = LINE_SPACE;
            }
            return c;
    }
}

void serial_pump(void) {
    if (serial_next == LINE_IDLE || !line_has_room()) return;
    char c = next_char();
    line_put(c);
    crc = crc32_next(crc, c);
}

bool serial_asked(void) {
    static enum { START, ASKED, OTHER } heard = START;
    if (!line_heard()) return false;
    char c = line_taken();
    if (c == '\n') {
        bool asked = heard == ASKED;
        heard = START;
        return asked;
    }
    if (c != '\r') heard = c == '?' && heard == START ? ASKED : OTHER;
    return false;
}
