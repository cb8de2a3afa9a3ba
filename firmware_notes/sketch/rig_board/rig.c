#include "rig.h"

#include "board.h"
#include "channels.h"
#include "commands.h"
#include "frame.h"
#include "settings.h"

#define FIRMWARE "1.0"
#define HELLO_EVERY_US 2000000UL
#define GIVE_UP_US 500000UL     /* the amplifier needs 400 ms to settle at 10 a second */

struct channel {
    const char *name;
    uint8_t state;      /* how the sensor is */
    uint8_t told;       /* what the computer knows of it */
    int32_t value;
};

static struct channel load, angle;
static uint8_t rate_hz, streaming;
static uint16_t seq;
static uint16_t dropped;                /* readings that found no room since the last `dropped` */

static uint8_t waits_for_angle;
static uint32_t sampled;                /* tick of the sample in hand */
static uint32_t answered;               /* when the amplifier last gave one */
static uint32_t due;                    /* while it gives none: when the next reading is */

static uint8_t hello_wanted;
static uint32_t hello_said;

static uint8_t tare_left, tare_made;    /* readings still to come, and taken */
static int32_t tare_sum;

static uint8_t answer_waits;
static struct command asked;

static uint32_t interval_us(void) { return 1000000UL / rate_hz; }

/* Lines. Each gives 1 if it is on its way. */

static uint8_t send_hello(void)
{
    line_begin();
    put_text("H 1 device=" DEVICE " firmware=" FIRMWARE " tick_us=1 tick_bits=32 seq_bits=16 rate_hz=");
    put_unsigned(rate_hz);
    put_text(" load:counts,24,signed angle:counts,12,turn");
    return line_end();
}

static void begin_status(uint32_t tick, const char *channel, const char *state)
{
    line_begin();
    put_text("S ");
    put_unsigned(tick);
    put(' ');
    put_text(channel);
    put(' ');
    put_text(state);
}

static void put_value(const struct channel *channel)
{
    put(' ');
    if (channel->state < STATES_WITH_VALUE)
        put_signed(channel->value);
    else
        put('-');
}

/* Says how a sensor is, if the computer does not know it yet. */
static void tell(struct channel *channel)
{
    if (channel->state == channel->told)
        return;
    begin_status(sampled, channel->name, state_word(channel->state));
    if (channel->state == STATE_OVER_RANGE)
        put_value(channel);
    if (channel->state == STATE_POWERED_DOWN)
        put_text(" clock pulse too long");
    if (line_end())
        channel->told = channel->state;
}

static void send_reading(void)
{
    line_begin();
    put_text("R ");
    put_unsigned(seq++);
    put(' ');
    put_unsigned(sampled);
    put_value(&load);
    put_value(&angle);
    if (!line_end() && dropped < 0xFFFF)
        dropped++;
}

/* Commands */

static uint8_t can_rate(uint32_t asked_hz)
{
    return RATE_WIRED ? asked_hz == 10 || asked_hz == 80 : asked_hz == rate_hz;
}

/* Answers the command in hand, and only then does it: 0 if the answer found no room and it has to wait. */
static uint8_t obey(void)
{
    const char *trouble = 0;
    if (asked.name == COMMAND_UNKNOWN)
        trouble = "unknown command";
    else if (asked.name == COMMAND_LONG)
        trouble = "too long";
    else if (asked.name == COMMAND_RATE && !(asked.readable && can_rate(asked.argument)))
        trouble = RATE_WIRED ? "only 10 or 80" : "fixed at the amplifier";
    else if (!asked.readable)
        trouble = "stands alone";
    else if (asked.name == COMMAND_TARE && load.state != STATE_OK)
        trouble = "no load to average";

    line_begin();
    put_text("A ");
    put_text(command_word(asked.name));
    put_text(trouble ? " error " : " ok");
    if (trouble)
        put_text(trouble);
    else if (asked.name == COMMAND_RATE) {
        put(' ');
        put_unsigned(asked.argument);
    }
    if (!line_end())
        return 0;
    if (trouble)
        return 1;

    switch (asked.name) {
    case COMMAND_START:
        streaming = 1;
        break;
    case COMMAND_STOP:
        streaming = 0;
        break;
    case COMMAND_TARE:              /* half a second's readings, at 10 a second one second's */
        tare_left = rate_hz < 20 ? rate_hz : rate_hz / 2;
        tare_made = 0;
        tare_sum = 0;
        break;
    case COMMAND_RATE:
        rate_hz = (uint8_t)asked.argument;
        board_rate(rate_hz);
        hello_wanted = 1;
        break;
    default:
        hello_wanted = 1;
    }
    return 1;
}

static void listen(void)
{
    int16_t byte;
    while (!answer_waits && (byte = board_typed()) >= 0)
        answer_waits = command_byte((uint8_t)byte, &asked);
    if (answer_waits && obey())
        answer_waits = 0;
}

/* Readings */

/* Begins a reading when the amplifier is ready; when it is gone, at the usual rate without it. */
static void begin_reading(void)
{
    uint32_t tick;
    if (board_ready(&tick)) {
        uint8_t state = amplifier_read(&load.value);
        if (state != STATE_NO_ANSWER) {
            answered = board_tick();
            load.state = state;
            sampled = tick;
            waits_for_angle = 1;
            angle_ask();
            return;
        }
    }
    uint32_t now = board_tick();
    if (load.state != STATE_NO_ANSWER) {
        if (now - answered < GIVE_UP_US)
            return;
        load.state = STATE_NO_ANSWER;
        tare_left = 0;
        due = now;
    }
    if ((int32_t)(now - due) >= 0) {
        due += interval_us();
        sampled = now;
        waits_for_angle = 1;
        angle_ask();
    }
}

static void end_reading(void)
{
    uint16_t counts;
    if (!angle_take(&angle.state, &counts))
        return;
    if (angle.state < STATES_WITH_VALUE)
        angle.value = counts;
    waits_for_angle = 0;
    tell(&load);
    tell(&angle);
    if (streaming)
        send_reading();
    if (tare_left && load.state == STATE_OK) {
        tare_sum += load.value;
        tare_made++;
        tare_left--;
    }
}

static void send_what_waits(void)
{
    uint32_t now = board_tick();
    if (now - hello_said >= HELLO_EVERY_US)
        hello_wanted = 1;
    if (hello_wanted && send_hello()) {
        hello_wanted = 0;
        hello_said = now;
    }
    if (dropped) {
        begin_status(now, "-", "dropped");
        put(' ');
        put_unsigned(dropped);
        if (line_end())
            dropped = 0;
    }
    if (tare_made && !tare_left) {
        int32_t half = tare_sum < 0 ? -(tare_made / 2) : tare_made / 2;
        begin_status(sampled, "load", "zero");
        put(' ');
        put_signed((tare_sum + half) / tare_made);
        put(' ');
        put_unsigned(tare_made);
        if (line_end())
            tare_made = 0;
    }
}

void rig_begin(void)
{
    load = (struct channel){"load", STATE_OK, STATE_OK, 0};
    angle = (struct channel){"angle", STATE_OK, STATE_OK, 0};
    rate_hz = RATE_HZ;
    streaming = 1;
    seq = dropped = 0;
    waits_for_angle = answer_waits = 0;
    tare_left = tare_made = 0;
    out_clear();
    command_clear();
    board_begin();
    board_rate(rate_hz);
    sampled = answered = hello_said = board_tick();
    line_break();
    begin_status(sampled, "-", "boot");
    put(' ');
    put_text(board_cause());
    line_end();
    hello_wanted = 1;
}

void rig_step(void)
{
    listen();
    if (waits_for_angle)
        end_reading();
    else
        begin_reading();
    send_what_waits();
    board_send();
}
