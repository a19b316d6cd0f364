#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "sampler.h"

/* 125 kHz, within the 50 to 200 kHz that ten bits need: a conversion takes 104 us. */
#define CONVERT (1 << ADEN | 1 << ADIE | 1 << ADPS2 | 1 << ADPS1 | 1 << ADPS0)
#define AVCC_REFERENCE (1 << REFS0)

static uint16_t period_us, tag;
static uint8_t size, conversions, pattern;

static struct block blocks[2];
static volatile uint8_t complete[2];
static uint8_t filling, oldest;
static volatile uint8_t holding = 1;

static uint32_t next_number, clock_us;  /* of the tick to come, of the last one */
static uint32_t number, started_us;     /* of the pair being taken */
static volatile uint8_t ticked;

static volatile uint8_t converting;
static uint8_t step;
static uint16_t sums[2];

static uint8_t held;      /* by the host, */
static uint32_t left_us;  /* for so long */
static uint8_t inhibiting;

static uint8_t reflected_at(uint8_t i)
{
    return (i ^ i >> 1) & 1; /* F R R F F R R F: on average both at the same time */
}

static void convert(void)
{
    ADMUX = AVCC_REFERENCE | (reflected_at(step) ? REFLECTED_INPUT : FORWARD_INPUT);
    ADCSRA = CONVERT | 1 << ADSC;
}

static void close_block(void)
{
    if (!complete[filling] && blocks[filling].count) {
        complete[filling] = 1;
        filling ^= 1;
    }
    if (!complete[filling])
        blocks[filling].count = 0;
}

static void drive(uint8_t inhibit)
{
    inhibiting = inhibit;
    if (inhibit == INHIBIT_HIGH)
        PORTB |= 1 << INHIBIT_BIT;
    else
        PORTB &= (uint8_t) ~(1 << INHIBIT_BIT);
}

ISR(TIMER1_COMPA_vect)
{
    ticked = 1;
    clock_us += period_us;
    uint32_t its_number = next_number++;
    if (held) {
        if (left_us > period_us) {
            left_us -= period_us;
        } else {
            held = 0;
            drive(SAFE_INHIBITS);
        }
    }
    if (holding || converting)
        return; /* without a pair; the numbers tell */
    number = its_number;
    started_us = clock_us;
    converting = 1;
    step = 0;
    sums[0] = sums[1] = 0;
    convert();
}

ISR(ADC_vect)
{
    sums[reflected_at(step)] += ADC; /* read before the next input is chosen */
    if (++step < conversions) {
        convert();
        return;
    }
    converting = 0;
    ADMUX = AVCC_REFERENCE | FORWARD_INPUT; /* settles until the next tick */
    if (number != blocks[filling].number + blocks[filling].count)
        close_block(); /* pairs follow each other within a block */
    if (holding || complete[filling])
        return; /* the line is too slow for this pair */
    struct block *block = &blocks[filling];
    if (!block->count) {
        block->tag = tag;
        block->number = number;
        block->clock_us = started_us;
    }
    uint16_t forward = sums[0], reflected = sums[1];
    if (pattern) {
        forward = (uint16_t)number & 0xFFF;
        reflected = (uint16_t)~number & 0xFFF;
    }
    uint8_t *to = block->packed + 3 * block->count;
    to[0] = (uint8_t)forward;
    to[1] = (uint8_t)(forward >> 8 | (reflected & 15) << 4);
    to[2] = (uint8_t)(reflected >> 4);
    if (++block->count == size)
        close_block();
}

void sampler_start(const struct settings *settings, uint16_t its_tag)
{
    uint8_t sreg = SREG;
    cli();
    period_us = (uint16_t)settings->period_us;
    size = settings->block;
    conversions = 2 * settings->oversampling;
    pattern = settings->pattern;
    tag = its_tag;
    OCR1A = (uint16_t)(F_CPU / 8000000UL * settings->period_us - 1);
    TCNT1 = 0;
    TCCR1A = 0;
    TCCR1B = 1 << WGM12 | 1 << CS11; /* from 0 to OCR1A at F_CPU / 8 */
    TIMSK1 = 1 << OCIE1A;
    DIDR0 = 1 << FORWARD_INPUT | 1 << REFLECTED_INPUT;
    ADMUX = AVCC_REFERENCE | FORWARD_INPUT;
    ADCSRA = CONVERT;
    holding = 0;
    SREG = sreg;
}

void sampler_hold(void)
{
    uint8_t sreg = SREG;
    cli();
    holding = 1;
    close_block();
    SREG = sreg;
}

uint8_t sampler_idle(void)
{
    return holding && !converting;
}

const struct block *sampler_block(void)
{
    return complete[oldest] ? &blocks[oldest] : 0;
}

void sampler_block_done(void)
{
    uint8_t sreg = SREG;
    cli();
    blocks[oldest].count = 0;
    complete[oldest] = 0;
    oldest ^= 1;
    SREG = sreg;
}

uint32_t sampler_clock_us(void)
{
    uint8_t sreg = SREG;
    cli();
    uint32_t now_us = clock_us;
    SREG = sreg;
    return now_us;
}

uint8_t sampler_ticked(void)
{
    uint8_t did = ticked;
    ticked = 0;
    return did;
}

void inhibit_start(void)
{
    drive(SAFE_INHIBITS);
    DDRB |= 1 << INHIBIT_BIT;
}

void inhibit_hold(uint8_t inhibit, uint16_t limit_ms)
{
    uint8_t sreg = SREG;
    cli();
    held = limit_ms != 0;
    left_us = limit_ms * 1000UL;
    drive(held ? inhibit : SAFE_INHIBITS);
    SREG = sreg;
}

uint8_t inhibit_state(void)
{
    uint8_t sreg = SREG;
    cli();
    uint8_t state = inhibiting | SAFE_INHIBITS << 1 | held << 2;
    SREG = sreg;
    return state;
}
