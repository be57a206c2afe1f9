#include "node_packet.h"

enum { HEADER_BYTES = 6, CRC_BYTES = 2 };

static void put16(uint8_t *out, uint16_t value) {
    out[0] = (uint8_t)(value & 0xFFu);
    out[1] = (uint8_t)(value >> 8);
}

static uint16_t get16(const uint8_t *data) {
    return (uint16_t)(data[0] | ((unsigned)data[1] << 8));
}

/* The value that a two's complement 16-bit word stands for, without relying on a conversion the compiler may choose. */
static int16_t get_signed16(const uint8_t *data) {
    int32_t value = (int32_t)get16(data);
    return (int16_t)(value > 32767 ? value - 65536 : value);
}

uint16_t node_crc16(const uint8_t *data, size_t length) {
    unsigned crc = 0xFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= (unsigned)data[i] << 8;
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 0x8000u) ? (crc << 1) ^ 0x1021u : crc << 1;
        }
        crc &= 0xFFFFu;
    }
    return (uint16_t)crc;
}

static size_t axes_of(uint8_t flags) {
    return (flags & NODE_FLAG_MAG) ? 9u : 6u;
}

size_t node_packet_encode(const node_packet *packet, uint8_t *out, size_t room) {
    const size_t axes = axes_of(packet->flags);
    const size_t length = HEADER_BYTES + 2u * axes * packet->count + CRC_BYTES;
    if (packet->count == 0 || packet->count > NODE_MAX_SAMPLES || length > NODE_MAX_PAYLOAD || length > room) {
        return 0;
    }
    if ((packet->flags & ~(NODE_FLAG_MAG | NODE_FLAG_FIRST | NODE_FLAG_OVERRUN)) != 0) {
        return 0;
    }
    out[0] = (uint8_t)((NODE_VERSION << 4) | packet->flags);
    put16(out + 1, packet->sequence);
    put16(out + 3, (uint16_t)(packet->ticks & 0xFFFFu));
    out[5] = (uint8_t)((packet->ticks >> 16) & 0xFFu);
    uint8_t *at = out + HEADER_BYTES;
    for (size_t i = 0; i < packet->count; i++) {
        for (size_t axis = 0; axis < axes; axis++, at += 2) {
            put16(at, (uint16_t)packet->sample[i].axis[axis]);
        }
    }
    put16(at, node_crc16(out, length - CRC_BYTES));
    return length;
}

int node_packet_decode(const uint8_t *data, size_t length, node_packet *packet) {
    if (length <= HEADER_BYTES + CRC_BYTES || length > NODE_MAX_PAYLOAD) {
        return 0;
    }
    if (node_crc16(data, length - CRC_BYTES) != get16(data + length - CRC_BYTES)) {
        return 0;
    }
    const uint8_t flags = data[0] & 0x0Fu;
    if ((data[0] >> 4) != NODE_VERSION || (flags & ~(NODE_FLAG_MAG | NODE_FLAG_FIRST | NODE_FLAG_OVERRUN)) != 0) {
        return 0;
    }
    const size_t axes = axes_of(flags);
    const size_t body = length - HEADER_BYTES - CRC_BYTES;
    if (body % (2u * axes) != 0) {
        return 0;
    }
    packet->flags = flags;
    packet->sequence = get16(data + 1);
    packet->ticks = get16(data + 3) | ((uint32_t)data[5] << 16);
    packet->count = (uint8_t)(body / (2u * axes));
    const uint8_t *at = data + HEADER_BYTES;
    for (size_t i = 0; i < packet->count; i++) {
        for (size_t axis = 0; axis < 9u; axis++) {
            packet->sample[i].axis[axis] = 0;
        }
        for (size_t axis = 0; axis < axes; axis++, at += 2) {
            packet->sample[i].axis[axis] = get_signed16(at);
        }
    }
    return 1;
}

void node_state_encode(const node_state *state, uint8_t *out) {
    out[0] = NODE_VERSION;
    out[1] = state->status;
    out[2] = state->flags;
    out[3] = state->placement;
    put16(out + 4, state->rate_hz);
    out[6] = state->acc_range_g;
    put16(out + 7, state->gyr_range_deg_s);
    put16(out + 9, state->boot);
    put16(out + 11, state->token);
    for (int i = 0; i < 6; i++) {
        out[13 + i] = (uint8_t)((state->ping_ticks >> (8 * i)) & 0xFFu);
    }
    put16(out + 19, node_crc16(out, NODE_STATE_BYTES - CRC_BYTES));
}
