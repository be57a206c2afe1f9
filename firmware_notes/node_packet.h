/* Reference encoder and decoder of the node's formats, version 1. The contract in words is README.md.
 *
 * C99, no allocation, no floating point, no assumption about the machine's byte order or struct layout.
 */
#ifndef NODE_PACKET_H
#define NODE_PACKET_H

#include <stddef.h>
#include <stdint.h>

#define NODE_VERSION 1u
#define NODE_MAX_PAYLOAD 244u
#define NODE_MAX_SAMPLES 19u
#define NODE_STATE_BYTES 21u

#define NODE_FLAG_MAG 1u
#define NODE_FLAG_FIRST 2u
#define NODE_FLAG_OVERRUN 4u

/* acc x, y, z, gyr x, y, z, mag x, y, z in counts. */
typedef struct {
    int16_t axis[9];
} node_sample;

typedef struct {
    uint8_t flags;
    uint16_t sequence;
    uint32_t ticks; /* 24 bits are sent */
    uint8_t count;
    node_sample sample[NODE_MAX_SAMPLES];
} node_packet;

typedef struct {
    uint8_t status;
    uint8_t flags; /* bit 0 streaming, bit 1 magnetometer on */
    uint8_t placement;
    uint16_t rate_hz;
    uint8_t acc_range_g;
    uint16_t gyr_range_deg_s;
    uint16_t boot;
    uint16_t token;
    uint64_t ping_ticks; /* 48 bits are sent */
} node_state;

/* CRC-16, polynomial 0x1021, start 0xFFFF, not reflected, no final inversion. */
uint16_t node_crc16(const uint8_t *data, size_t length);

/* Bytes written to out, or 0 if the packet is not valid or room is too small. */
size_t node_packet_encode(const node_packet *packet, uint8_t *out, size_t room);

/* 1 and a filled packet, or 0 if the bytes are not exactly one valid packet. */
int node_packet_decode(const uint8_t *data, size_t length, node_packet *packet);

/* Always writes NODE_STATE_BYTES. */
void node_state_encode(const node_state *state, uint8_t *out);

#endif
