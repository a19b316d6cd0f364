/* Frames: COBS, CRC-16/IBM-3740 and the delimiter. Plain C, for any machine. */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#define FRAME_MOST 254               /* bytes of payload and CRC */
#define FRAME_LONGEST (FRAME_MOST + 2) /* bytes on the wire, delimiter included */

struct frame {
    uint8_t *bytes;   /* room for FRAME_LONGEST */
    uint16_t size;    /* written so far */
    uint16_t code_at; /* place of the COBS code that is open */
    uint8_t code;
    uint16_t crc;
};

uint16_t crc16(uint16_t crc, uint8_t byte); /* start with 0xFFFF */

void frame_begin(struct frame *frame, uint8_t *bytes);
void frame_put(struct frame *frame, uint8_t byte);
void frame_put16(struct frame *frame, uint16_t value);
void frame_put32(struct frame *frame, uint32_t value);
void frame_end(struct frame *frame);

/* Decode in place what came before a delimiter; the length of the payload, 0 if it is damaged. */
uint8_t frame_open(uint8_t *bytes, uint8_t size);

#endif
