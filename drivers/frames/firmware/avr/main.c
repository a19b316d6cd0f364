/* The reference bridge for an ATmega328P at 16 MHz. Wire protocol: PROTOCOL.md; wiring: WIRING.md. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "config.h"
#include "frame.h"
#include "sampler.h"
#include "uart.h"

#define VERSION 1
enum { IDENTITY = 1, BLOCK, READINGS, ANSWER, IDENTIFY = 8, SET, INHIBIT, PATTERN };
enum { DONE, CANNOT, UNKNOWN };
enum { PTT_READING = 4 };

#define CODE_BITS 12
#define CONVERSION_US 112      /* with the interrupt that starts the next */
#define TICK_US 40             /* what else a period needs */
#define PERIOD_MOST_US 32000   /* of timer 1, at half a microsecond */
#define BYTE_US ((10000000UL + BAUD - 1) / BAUD)
#define HEAD_BYTES 16          /* of a block on the wire, all but its pairs */
#define SECOND_US 1000000UL

static struct settings settings = {0, START_PERIOD_US, START_BLOCK, START_OVERSAMPLING, 0};
static uint16_t *const boots = (uint16_t *)0; /* in the EEPROM */
static uint8_t reset_flags __attribute__((section(".noinit")));
static uint8_t reset_reason;

static uint8_t want_identity = 1, want_readings = 1, want_change;
static uint8_t answer_to, answer;
static uint32_t second_us; /* when identity and readings were last due */
static uint8_t ptt;

/* Before anything else: after its reset the watchdog goes on, with a short time. */
void keep_reset_flags(void) __attribute__((naked, used, section(".init3")));
void keep_reset_flags(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static uint8_t why(uint8_t flags)
{
    if (flags & 1 << PORF)
        return 1;
    if (flags & 1 << WDRF)
        return 4;
    if (flags & 1 << BORF)
        return 3;
    return flags & 1 << EXTRF ? 2 : 0;
}

static void kind(struct frame *frame, uint8_t type)
{
    frame_put(frame, (uint8_t)(VERSION << 4 | type));
}

static void put_settings(struct frame *frame)
{
    frame_put16(frame, settings.boot);
    frame_put32(frame, settings.period_us);
    frame_put(frame, settings.block);
    frame_put(frame, settings.oversampling);
    frame_put(frame, CODE_BITS);
    frame_put(frame, settings.pattern);
    frame_put16(frame, 1023 * settings.oversampling);
    frame_put16(frame, REFERENCE_MV);
    frame_put16(frame, settings.oversampling == 1 ? CONVERSION_US : 0);
}

static uint16_t settings_tag(void)
{
    uint8_t scratch[24];
    struct frame frame;
    frame_begin(&frame, scratch);
    put_settings(&frame);
    return frame.crc;
}

static void finish(struct frame *frame)
{
    frame_end(frame);
    uart_send(frame->size);
}

static void send_identity(struct frame *frame)
{
    kind(frame, IDENTITY);
    put_settings(frame);
    frame_put(frame, reset_reason);
    frame_put(frame, inhibit_state());
    for (const char *c = NAME; *c; c++)
        frame_put(frame, (uint8_t)*c);
    finish(frame);
}

static void send_readings(struct frame *frame)
{
    kind(frame, READINGS);
    frame_put32(frame, sampler_clock_us());
    frame_put(frame, PTT_READING);
    frame_put32(frame, ptt);
    finish(frame);
}

static void send_answer(struct frame *frame)
{
    kind(frame, ANSWER);
    frame_put(frame, answer_to);
    frame_put(frame, answer);
    finish(frame);
}

static void send_block(struct frame *frame, const struct block *block)
{
    kind(frame, BLOCK);
    frame_put16(frame, block->tag);
    frame_put32(frame, block->number);
    frame_put32(frame, block->clock_us);
    frame_put(frame, block->count);
    uint8_t bytes = 3 * block->count;
    for (uint8_t i = 0; i < bytes; i++)
        frame_put(frame, block->packed[i]);
    finish(frame);
}

static uint8_t set(uint32_t period_us, uint8_t block, uint8_t oversampling)
{
    if (oversampling != 1 && oversampling != 2 && oversampling != 4)
        return CANNOT;
    if (!block || block > BLOCK_MOST || period_us > PERIOD_MOST_US)
        return CANNOT;
    if (period_us < 2UL * oversampling * CONVERSION_US + TICK_US)
        return CANNOT; /* the converter is slower */
    if (period_us * block < (3UL * block + HEAD_BYTES) * BYTE_US * 51 / 50)
        return CANNOT; /* the line is slower */
    settings.period_us = period_us;
    settings.block = block;
    settings.oversampling = oversampling;
    want_change = 1;
    return DONE;
}

static uint8_t obey(const uint8_t *payload, uint8_t size)
{
    switch (payload[0] & 15) {
    case IDENTIFY:
        want_identity = 1;
        return DONE;
    case SET:
        if (size != 7)
            return CANNOT;
        return set((uint32_t)payload[4] << 24 | (uint32_t)payload[3] << 16 |
                       (uint16_t)payload[2] << 8 | payload[1],
                   payload[5], payload[6]);
    case INHIBIT:
        if (size != 4 || payload[1] > 1)
            return CANNOT;
        inhibit_hold(payload[1], (uint16_t)payload[3] << 8 | payload[2]);
        return DONE;
    case PATTERN:
        if (size != 2 || payload[1] > 1)
            return CANNOT;
        settings.pattern = payload[1];
        want_change = 1;
        return DONE;
    default:
        return UNKNOWN;
    }
}

static void listen(void)
{
    uint8_t *bytes;
    uint8_t size = uart_frame(&bytes);
    if (!size || answer_to || want_change)
        return; /* one at a time */
    size = frame_open(bytes, size);
    if (size && bytes[0] >> 4 == VERSION) {
        answer = obey(bytes, size);
        if ((bytes[0] & 15) != IDENTIFY)
            answer_to = bytes[0] & 15;
    } else if (size) {
        want_identity = 1; /* another version: it will see ours */
    }
    uart_frame_done();
}

static void look(void)
{
    uint8_t pressed = !(PIND & 1 << PTT_BIT);
    if (pressed != ptt) {
        ptt = pressed;
        want_readings = 1;
    }
    if (sampler_clock_us() - second_us >= SECOND_US) {
        second_us += SECOND_US;
        want_identity = want_readings = 1;
    }
}

/* Send one of what there is to send; whether there was room and something. */
static uint8_t send(void)
{
    uint8_t *room = uart_buffer();
    if (!room)
        return 0;
    struct frame frame;
    frame_begin(&frame, room);
    const struct block *block = sampler_block();
    if (want_identity && !want_change) {
        want_identity = 0;
        send_identity(&frame);
    } else if (answer_to) {
        send_answer(&frame);
        answer_to = 0;
    } else if (block) {
        send_block(&frame, block);
        sampler_block_done();
    } else if (want_change && sampler_idle()) {
        /* All blocks by the old settings are on their way. */
        want_change = 0;
        send_identity(&frame);
        sampler_start(&settings, settings_tag());
    } else if (want_readings) {
        want_readings = 0;
        send_readings(&frame);
    } else {
        return 0;
    }
    return 1;
}

int main(void)
{
    inhibit_start();
    PORTD |= 1 << PTT_BIT;
    reset_reason = why(reset_flags);
    settings.boot = eeprom_read_word(boots) + 1;
    eeprom_update_word(boots, settings.boot);
    wdt_enable(WDTO_250MS);
    uart_start();
    sampler_start(&settings, settings_tag());
    sei();
    for (;;) {
        if (sampler_ticked())
            wdt_reset(); /* alive are this loop and the timer that limits the inhibit output */
        listen();
        if (want_change)
            sampler_hold();
        look();
        while (send())
            ;
        sleep_mode(); /* until the next interrupt */
    }
}
