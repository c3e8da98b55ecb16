// Where the bytes of the serial line go to and come from.
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

// Bytes go to standard output.
void line_to_output(void);

// Bytes go to a pseudo-terminal; gives its path. When nobody reads, they are lost, as on a cable.
const char *line_to_terminal(void);

void line_send(uint8_t byte);

// Hands over what has been gathered.
void line_flush(void);

// What the program on the other end has written; at most ``room`` bytes, 0 when there is nothing.
size_t line_receive(uint8_t *bytes, size_t room);
