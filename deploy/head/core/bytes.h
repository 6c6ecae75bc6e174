/* Little-endian fields in a bounded buffer, CRC-32/ISO-HDLC and COBS: the parts of a frame on the link. */
#ifndef CAMDRIFT_BYTES_H
#define CAMDRIFT_BYTES_H

#include <stddef.h>
#include <stdint.h>

/* A buffer that fills from the front. `full` is set, and nothing more is written, once it would overflow. */
typedef struct {
    uint8_t *data;
    size_t size;
    size_t used;
    uint8_t full;
} writer_t;

void put_u8(writer_t *w, uint8_t v);
void put_u16(writer_t *w, uint16_t v);
void put_u32(writer_t *w, uint32_t v);
void put_u64(writer_t *w, uint64_t v);

/* CRC-32/ISO-HDLC: reflected polynomial 0xEDB88320, start and final XOR 0xFFFFFFFF. Check value of "123456789":
   0xCBF43926. */
uint32_t crc32(const uint8_t *data, size_t n);

/* COBS after Cheshire and Baker. `out` must hold n + n / 254 + 1 bytes; returns how many were written. No delimiter. */
size_t cobs_encode(const uint8_t *in, size_t n, uint8_t *out);

#endif
