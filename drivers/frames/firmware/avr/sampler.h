/* Pairs of readings at an even pace, in blocks; the clock; the inhibit output's time limit. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdint.h>

#define BLOCK_MOST 80 /* pairs: FRAME_MOST less head and CRC, three bytes each */

struct settings { /* as in the identity */
    uint16_t boot;
    uint32_t period_us;
    uint8_t block;
    uint8_t oversampling;
    uint8_t pattern;
};

struct block {
    uint16_t tag;
    uint32_t number; /* of the first pair */
    uint32_t clock_us;
    uint8_t count;
    uint8_t packed[3 * BLOCK_MOST];
};

/* Begin, or go on by other settings once idle; `tag` names them. */
void sampler_start(const struct settings *settings, uint16_t tag);
/* Take no more pairs and close the block begun. Numbers and clock run on. */
void sampler_hold(void);
/* Held, and no conversion is going on. */
uint8_t sampler_idle(void);
/* The oldest block that is complete, or 0. */
const struct block *sampler_block(void);
/* It has been sent. */
void sampler_block_done(void);
/* The clock at the last tick. */
uint32_t sampler_clock_us(void);
/* Whether the timer has ticked since the last call. */
uint8_t sampler_ticked(void);

/* Hold the output inhibiting (1) or permitting (0) for so long; then it is in its safe state. */
void inhibit_start(void);
void inhibit_hold(uint8_t inhibit, uint16_t limit_ms);
/* Bits of the identity. */
uint8_t inhibit_state(void);

#endif
