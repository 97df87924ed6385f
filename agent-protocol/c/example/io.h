/* The io chip of the example. */
#ifndef EXAMPLE_IO_H
#define EXAMPLE_IO_H

#include "pintle_virtual.h"

/* Switches it on, with the image that it was made with. 0 if that works. */
int io_power_on(PintleVirtual *hardware);

/* Time goes on by one second. */
void io_second(void);

/* One exchange on the link, as a net chip's callback has to answer it: 1 if an answer came. */
int32_t io_exchange(const uint8_t *frame, size_t len, uint8_t *answer);

#endif
