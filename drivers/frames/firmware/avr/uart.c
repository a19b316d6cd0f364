#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "frame.h"
#include "uart.h"

#define COMMAND_LONGEST 24

static uint8_t out[2][FRAME_LONGEST];
static volatile uint16_t out_size[2]; /* 0: free */
static uint8_t filling, sending;
static uint16_t sent;

static uint8_t in[COMMAND_LONGEST];
static uint8_t in_size;
static uint8_t in_bad; /* until the next delimiter */
static volatile uint8_t in_whole;

void uart_start(void)
{
    UCSR0A = 1 << U2X0;
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
    uint16_t divider = (F_CPU / 4 / BAUD - 1) / 2;
    UBRR0H = (uint8_t)(divider >> 8);
    UBRR0L = (uint8_t)divider;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
}

uint8_t *uart_buffer(void)
{
    uint8_t sreg = SREG;
    cli();
    uint8_t free = !out_size[filling];
    SREG = sreg;
    return free ? out[filling] : 0;
}

void uart_send(uint16_t size)
{
    uint8_t sreg = SREG;
    cli();
    out_size[filling] = size;
    filling ^= 1;
    UCSR0B |= 1 << UDRIE0;
    SREG = sreg;
}

ISR(USART_UDRE_vect)
{
    if (!out_size[sending]) {
        UCSR0B &= (uint8_t) ~(1 << UDRIE0);
        return;
    }
    UDR0 = out[sending][sent++];
    if (sent == out_size[sending]) {
        out_size[sending] = 0;
        sending ^= 1;
        sent = 0;
    }
}

ISR(USART_RX_vect)
{
    uint8_t error = UCSR0A & (1 << FE0 | 1 << DOR0);
    uint8_t byte = UDR0;
    if (in_whole) {
        in_bad = byte != 0; /* came too early: dropped whole */
    } else if (error || (byte && in_size == COMMAND_LONGEST)) {
        in_bad = 1;
    } else if (byte) {
        in[in_size++] = byte;
    } else if (in_bad) {
        in_bad = in_size = 0;
    } else if (in_size) {
        in_whole = in_size;
    }
}

uint8_t uart_frame(uint8_t **bytes)
{
    *bytes = in;
    return in_whole;
}

void uart_frame_done(void)
{
    uint8_t sreg = SREG;
    cli();
    in_size = in_whole = 0;
    SREG = sreg;
}
