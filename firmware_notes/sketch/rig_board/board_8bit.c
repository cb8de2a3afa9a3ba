/* The ATmega328P at 16 MHz. Nothing of the editor's own library is used: the port, the tick and the two-wire bus
   are driven from here, by interrupts. Do not use Serial, Wire, millis() or delay() beside it.

   pin 8   amplifier's data (input capture: the timer itself notes when a sample became ready)
   pin 9   amplifier's clock
   pin 7   amplifier's rate: low 10, high 80 readings a second
   A4, A5  angle sensor's SDA, SCL */
#if defined(__AVR_ATmega328P__) && !defined(RIG_ANY_BOARD)

#ifndef F_CPU
#define F_CPU 16000000UL
#endif
#if F_CPU != 16000000UL
#error "the tick of board_8bit.c is made for 16 MHz"
#endif

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#include "board.h"
#include "frame.h"
#include "settings.h"
#include "tick.h"

#define DATA PINB0
#define CLOCK PINB1
#define RATE PIND7
#define SDA PINC4
#define SCL PINC5
#define SENSOR 0x36             /* the angle sensor's address */
#define BUS_HZ 400000UL

static uint8_t cause;

void board_begin(void)
{
    cli();
    cause = MCUSR;
    MCUSR = 0;

    DDRB = (uint8_t)((DDRB & ~_BV(DATA)) | _BV(CLOCK));
    PORTB = (uint8_t)((PORTB & ~_BV(CLOCK)) | _BV(DATA));   /* pulled up: an unplugged line is never ready */
    DDRD |= _BV(RATE);

    TIMSK0 = 0;                                 /* the editor's clock tick would only delay ours */
    TCCR1A = 0;
    TCCR1B = _BV(CS11);                         /* 2 counts a microsecond; capture at the falling edge */
    TCNT1 = 0;
    TIFR1 = _BV(TOV1) | _BV(ICF1);
    TIMSK1 = _BV(TOIE1) | _BV(ICIE1);

    UBRR0 = (uint16_t)((F_CPU / 4 / BAUD - 1) / 2);
    UCSR0A = _BV(U2X0);                         /* 115,200 baud is 2.1 % off with it, 3.5 % without */
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    PORTC |= _BV(SDA) | _BV(SCL);
    TWSR = 0;
    TWBR = (F_CPU / BUS_HZ - 16) / 2;
    TWCR = _BV(TWEN);
    sei();
}

const char *board_cause(void)
{
    if (cause & _BV(PORF))
        return "power-on";
    if (cause & _BV(BORF))
        return "brown-out";
    if (cause & _BV(WDRF))
        return "watchdog";
    return cause & _BV(EXTRF) ? "reset-pin" : "reset";     /* a boot loader may have taken the cause away */
}

void board_hold(void) { cli(); }

void board_release(void) { sei(); }

/* Tick */

static volatile uint32_t overflows = TICK_START >> 15;

ISR(TIMER1_OVF_vect) { overflows++; }

/* The counter and how often it has run over, also where its interrupt has not been served yet. */
static uint32_t counter(uint16_t *count)
{
    uint8_t before = SREG;
    cli();
    uint32_t times = overflows;
    *count = TCNT1;
    if ((TIFR1 & _BV(TOV1)) && *count < 0x8000)
        times++;
    SREG = before;
    return times;
}

uint32_t board_tick(void)
{
    uint16_t count;
    uint32_t times = counter(&count);
    return tick_at(times, count);
}

/* Amplifier */

static volatile uint32_t fell;      /* when its data line last fell; also within a word, which nobody looks at */
static volatile uint8_t fell_once;

ISR(TIMER1_CAPT_vect)
{
    uint16_t count, caught = ICR1;
    uint32_t times = counter(&count);
    fell = tick_caught(times, count, caught);
    fell_once = 1;
}

uint8_t board_ready(uint32_t *tick)
{
    if (PINB & _BV(DATA))
        return 0;
    cli();
    *tick = fell;
    sei();
    if (!fell_once)                 /* ready since before we started */
        *tick = board_tick();
    return 1;
}

void board_clock(uint8_t high)
{
    if (high)
        PORTB |= _BV(CLOCK);
    else
        PORTB = (uint8_t)(PORTB & ~_BV(CLOCK));
}

uint8_t board_data(void) { return (PINB & _BV(DATA)) != 0; }

void board_rate(uint8_t rate_hz)
{
    if (rate_hz > 10)
        PORTD |= _BV(RATE);
    else
        PORTD = (uint8_t)(PORTD & ~_BV(RATE));
}

/* Port */

#define TYPED 64                /* a power of two */
static volatile uint8_t typed[TYPED], typed_head, typed_tail;

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0, next = (typed_head + 1) % TYPED;
    if (next != typed_tail) {
        typed[typed_head] = byte;
        typed_head = next;
    }
}

int16_t board_typed(void)
{
    if (typed_tail == typed_head)
        return -1;
    uint8_t byte = typed[typed_tail];
    typed_tail = (typed_tail + 1) % TYPED;
    return byte;
}

ISR(USART_UDRE_vect)
{
    uint8_t byte;
    if (out_next(&byte))
        UDR0 = byte;
    else
        UCSR0B = (uint8_t)(UCSR0B & ~_BV(UDRIE0));
}

void board_send(void)
{
    if (out_waiting())
        UCSR0B |= _BV(UDRIE0);
}

/* Two-wire bus: the register's number is written, then its bytes are read behind a repeated start. */

#define GO (_BV(TWINT) | _BV(TWEN) | _BV(TWIE))
static volatile uint8_t bus_state = BUS_DONE, bus_from, bus_count, bus_named, bus_reading, bus_got, bus_bytes[2];

void board_bus_read(uint8_t from, uint8_t count)
{
    bus_from = from;
    bus_count = count;
    bus_named = bus_reading = bus_got = 0;
    bus_state = BUS_BUSY;
    TWCR = GO | _BV(TWSTA);
}

static void bus_end(uint8_t state)
{
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    bus_state = state;
}

ISR(TWI_vect)
{
    switch (TWSR & 0xF8) {
    case 0x08:                  /* start sent */
    case 0x10:                  /* start sent again */
        TWDR = (uint8_t)(SENSOR << 1 | bus_reading);
        TWCR = GO;
        break;
    case 0x18:                  /* address taken, to write; then the register's number */
    case 0x28:
        if (bus_named) {
            bus_reading = 1;
            TWCR = GO | _BV(TWSTA);
        } else {
            bus_named = 1;
            TWDR = bus_from;
            TWCR = GO;
        }
        break;
    case 0x40:                  /* address taken, to read */
        TWCR = bus_count > 1 ? GO | _BV(TWEA) : GO;
        break;
    case 0x50:                  /* a byte came, more are to come */
        bus_bytes[bus_got] = TWDR;
        bus_got = (bus_got + 1) & 1;
        TWCR = GO;              /* two at most: the next is the last */
        break;
    case 0x58:                  /* the last byte came */
        bus_bytes[bus_got] = TWDR;
        bus_end(BUS_DONE);
        break;
    default:                    /* nobody took it, or a bus error */
        bus_end(BUS_FAILED);
    }
}

/* Not over before its stop is sent: a start that came earlier would cut it off. */
uint8_t board_bus_state(void) { return TWCR & _BV(TWSTO) ? BUS_BUSY : bus_state; }

uint8_t board_bus_byte(uint8_t place) { return bus_bytes[place & 1]; }

/* Pulls a line down, or lets it rise. */
static void bus_line(uint8_t line, uint8_t high)
{
    if (high) {
        DDRC = (uint8_t)(DDRC & ~_BV(line));
        PORTC |= _BV(line);
    } else {
        PORTC = (uint8_t)(PORTC & ~_BV(line));
        DDRC |= _BV(line);
    }
    _delay_us(5);
}

void board_bus_free(void)
{
    TWCR = 0;
    for (uint8_t pulse = 0; pulse < 9; pulse++) {       /* whoever holds the data line gets its byte out */
        bus_line(SCL, 0);
        bus_line(SCL, 1);
    }
    bus_line(SDA, 0);                                   /* a stop */
    bus_line(SDA, 1);
    TWCR = _BV(TWEN);
    bus_state = BUS_FAILED;
}

#endif
