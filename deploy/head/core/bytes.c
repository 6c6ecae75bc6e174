#include "bytes.h"

void put_u8(writer_t *w, uint8_t v)
{
    if (w->used >= w->size) {
        w->full = 1;
        return;
    }
    w->data[w->used++] = v;
}

void put_u16(writer_t *w, uint16_t v)
{
    put_u8(w, (uint8_t)v);
    put_u8(w, (uint8_t)(v >> 8));
}

void put_u32(writer_t *w, uint32_t v)
{
    put_u16(w, (uint16_t)v);
    put_u16(w, (uint16_t)(v >> 16));
}

void put_u64(writer_t *w, uint64_t v)
{
    put_u32(w, (uint32_t)v);
    put_u32(w, (uint32_t)(v >> 32));
}

/* A nibble at a time: 64 bytes of table, twice as fast as bit by bit. */
static const uint32_t NIBBLE[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

uint32_t crc32(const uint8_t *data, size_t n)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < n; i++) {
        crc ^= data[i];
        crc = (crc >> 4) ^ NIBBLE[crc & 15u];
        crc = (crc >> 4) ^ NIBBLE[crc & 15u];
    }
    return ~crc;
}

size_t cobs_encode(const uint8_t *in, size_t n, uint8_t *out)
{
    size_t code_at = 0, used = 1;
    uint8_t code = 1;
    for (size_t i = 0; i < n; i++) {
        if (in[i] != 0) {
            out[used++] = in[i];
            code++;
        }
        if (in[i] == 0 || code == 0xFF) {
            out[code_at] = code;
            code = 1;
            code_at = used;
            /* A block of 254 bytes that ends the data needs no further code byte. */
            if (in[i] == 0 || i + 1 < n) {
                used++;
            } else {
                return used;
            }
        }
    }
    out[code_at] = code;
    return used;
}
