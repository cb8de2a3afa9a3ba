#include "frame.h"

/* A ring of 256 bytes whose places wrap by themselves. `head` moves only when a line is whole, so an interrupt
   that empties the ring never sees half a line. */
static volatile uint8_t ring[256];
static volatile uint8_t head, tail;
static uint8_t edge;        /* behind the line that is being put together */
static uint8_t too_long;
static uint16_t check;

uint16_t check_add(uint16_t sum, uint8_t byte)
{
    sum = (uint16_t)(sum >> 8 | sum << 8);
    sum ^= byte;
    sum ^= (uint8_t)sum >> 4;
    sum ^= (uint16_t)(sum << 12);
    sum ^= (uint16_t)((sum & 0xFF) << 5);
    return sum;
}

static void push(uint8_t byte)
{
    uint8_t next = (uint8_t)(edge + 1);
    if (too_long || next == tail) {
        too_long = 1;
        return;
    }
    ring[edge] = byte;
    edge = next;
}

void line_begin(void)
{
    edge = head;
    too_long = 0;
    check = 0xFFFF;
}

void put(char c)
{
    check = check_add(check, (uint8_t)c);
    push((uint8_t)c);
}

void put_text(const char *text)
{
    while (*text)
        put(*text++);
}

void put_unsigned(uint32_t value)
{
    char digits[10];
    uint8_t n = 0;
    do {
        digits[n++] = (char)('0' + value % 10);
        value /= 10;
    } while (value);
    while (n)
        put(digits[--n]);
}

void put_signed(int32_t value)
{
    uint32_t size = (uint32_t)value;
    if (value < 0) {
        put('-');
        size = 0u - size;
    }
    put_unsigned(size);
}

uint8_t line_end(void)
{
    push(' ');
    for (int8_t shift = 12; shift >= 0; shift -= 4) {
        uint8_t nibble = check >> shift & 15;
        push((uint8_t)(nibble < 10 ? '0' + nibble : 'A' - 10 + nibble));
    }
    push('\n');
    if (too_long)
        return 0;
    head = edge;
    return 1;
}

void line_break(void)
{
    line_begin();
    push('\n');
    if (!too_long)
        head = edge;
}

uint8_t out_next(uint8_t *byte)
{
    if (tail == head)
        return 0;
    *byte = ring[tail];
    tail = (uint8_t)(tail + 1);
    return 1;
}

uint8_t out_waiting(void) { return tail != head; }

void out_clear(void) { head = tail = edge = 0; }
