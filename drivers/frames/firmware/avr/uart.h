/* The serial line, by interrupt: two buffers out, one frame in. */
#ifndef UART_H
#define UART_H

#include <stdint.h>

void uart_start(void);

/* A buffer for FRAME_LONGEST bytes, or 0 while both are being sent. */
uint8_t *uart_buffer(void);
/* Send `size` bytes of the buffer that uart_buffer() gave. */
void uart_send(uint16_t size);

/* The length of a frame that has come whole, without its delimiter; 0 if there is none. */
uint8_t uart_frame(uint8_t **bytes);
/* It has been dealt with: the next may come. */
void uart_frame_done(void);

#endif
