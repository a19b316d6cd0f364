#include "frame.h"

uint16_t crc16(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)(crc >> 8 | crc << 8);
    crc ^= byte;
    crc ^= (crc & 0xFF) >> 4;
    crc ^= (uint16_t)(crc << 12);
    crc ^= (uint16_t)((crc & 0xFF) << 5);
    return crc;
}

static void open_code(struct frame *frame)
{
    frame->code_at = frame->size++;
    frame->code = 1;
}

static void stuff(struct frame *frame, uint8_t byte)
{
    if (frame->code == 0xFF) /* full: the zero it would stand for is none */
        open_code(frame);
    if (byte) {
        frame->bytes[frame->size++] = byte;
        frame->code++;
    }
    frame->bytes[frame->code_at] = frame->code;
    if (!byte)
        open_code(frame);
}

void frame_begin(struct frame *frame, uint8_t *bytes)
{
    frame->bytes = bytes;
    frame->size = 0;
    frame->crc = 0xFFFF;
    open_code(frame);
}

void frame_put(struct frame *frame, uint8_t byte)
{
    frame->crc = crc16(frame->crc, byte);
    stuff(frame, byte);
}

void frame_put16(struct frame *frame, uint16_t value)
{
    frame_put(frame, (uint8_t)value);
    frame_put(frame, (uint8_t)(value >> 8));
}

void frame_put32(struct frame *frame, uint32_t value)
{
    frame_put16(frame, (uint16_t)value);
    frame_put16(frame, (uint16_t)(value >> 16));
}

void frame_end(struct frame *frame)
{
    uint16_t crc = frame->crc;
    stuff(frame, (uint8_t)(crc >> 8));
    stuff(frame, (uint8_t)crc);
    frame->bytes[frame->code_at] = frame->code;
    frame->bytes[frame->size++] = 0;
}

uint8_t frame_open(uint8_t *bytes, uint8_t size)
{
    uint8_t in = 0, out = 0;
    while (in < size) {
        uint8_t code = bytes[in++];
        if (!code || code - 1 > size - in)
            return 0;
        for (uint8_t i = 1; i < code; i++)
            bytes[out++] = bytes[in++];
        if (code < 0xFF && in < size)
            bytes[out++] = 0;
    }
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 0; i < out; i++)
        crc = crc16(crc, bytes[i]);
    return out > 2 && !crc ? out - 2 : 0;
}
