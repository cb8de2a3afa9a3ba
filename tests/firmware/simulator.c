/* The 8-bit board in a simulator, with models of its two sensors, for tests.

   It links libsimavr, which is under the GPL (version 3): this program is for tests only and is not part of what
   blankbench ships or installs.

   usage: simulator FIRMWARE.elf [--fast] [--seconds S] [--truth FILE] [--period S] [--load ZERO,COS1,SIN1,COS2,SIN2]
                    [--noise COUNTS] [--at SECONDS:WHAT]...

   It prints the name of a pseudo-terminal, waits for the first byte from there (programs throw away what came
   before they opened a port), gives the board power and keeps real time, or none with --fast. It ends after S
   seconds of board time, or when its standard input ends.

   WHAT: load-out, load-in (the amplifier's plug), short (its data line lies at ground), over (bridge open: end stop),
   over-end, pulse (one clock pulse of the next word is stretched to 70 us, as an interrupt would), pulse-30 (to
   30 us, which is allowed), magnet-out, magnet-weak, magnet-strong, magnet-in, angle-out, angle-in (the sensor's plug),
   reset.

   --truth writes what the models saw, in order: "L counts" a whole word of the amplifier, "A counts" an angle, "H us"
   a clock pulse that was longer than all before.

   Amplifier, by its data sheet: a sample every 12.5 or 100 ms by its rate pin; data low when ready; a bit at each
   rising clock edge, most significant first, data high at the 25th; clock high for 60 us: power down, data high;
   clock low again: four conversions until the first sample. Angle sensor: registers 0x0B status, 0x0C and 0x0D raw
   angle, whose pointer goes back to the high byte behind the low one. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_ioport.h"
#include "avr_twi.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_cycle_timers.h"
#include "sim_elf.h"

#define HZ 16000000.0
#define US 16u
#define BYTE_CYCLES 1389u /* ten bits at 115,200 baud */

static avr_t *avr;
static int port;
static FILE *truth;
static avr_irq_t *data_line, *uart_in, *bus;

static double load_terms[5] = {200000, 3000, -2000, 6000, 4000}, noise = 40, period_s = 12;

static double now_s(void) { return avr->cycle / HZ; }

static void die(const char *what) { fprintf(stderr, "simulator: %s\n", what); exit(2); }

/* The chuck turns forward for one period, then back, and so on. */
static double chuck(double t)
{
    double place = fmod(t / period_s, 2.0);
    return 2 * M_PI * (place < 1 ? place : 2 - place);
}

static double gauss(void)
{
    return sqrt(-2 * log((random() + 1.0) / 2147483649.0)) * cos(2 * M_PI * (random() / 2147483648.0));
}

/* Amplifier */

static struct { int plugged, shorted, open, on, bits, clock, fast_rate; uint32_t word; double stretch_us; } amp = {1, 0, 0, 1, 25, 0, 1, 0, 0};

static void data(int high)
{
    if (!amp.plugged && !amp.shorted)
        return;
    high = high && !amp.shorted;
    /* Without this the library takes the board's own pull-up for the level whenever the port is written. */
    avr_ioport_external_t held = {.name = 'B', .mask = 1, .value = high};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &held);
    avr_raise_irq(data_line, high);
}

static avr_cycle_count_t conversion_cycles(void) { return amp.fast_rate ? HZ / 80 : HZ / 10; }

static avr_cycle_count_t fall(avr_t *a, avr_cycle_count_t when, void *p)
{
    (void)a; (void)when; (void)p;
    data(0);
    return 0;
}

static avr_cycle_count_t convert(avr_t *a, avr_cycle_count_t when, void *p)
{
    (void)a; (void)p;
    double angle = chuck(when / HZ);
    double value = load_terms[0] + load_terms[1] * cos(angle) + load_terms[2] * sin(angle)
                   + load_terms[3] * cos(2 * angle) + load_terms[4] * sin(2 * angle) + noise * gauss();
    int32_t counts = amp.open ? 0x7FFFFF : (int32_t)lrint(fmin(fmax(value, -0x800000), 0x7FFFFF));
    if (amp.on && amp.plugged) {
        amp.word = (uint32_t)counts & 0xFFFFFF;
        amp.bits = 0;
        data(1);
        avr_cycle_timer_register(avr, 25 * US, fall, NULL);
    }
    return when + conversion_cycles();
}

static void settle(void)
{
    avr_cycle_timer_cancel(avr, convert, NULL);
    avr_cycle_timer_register(avr, 4 * conversion_cycles(), convert, NULL);
}

static avr_cycle_count_t power_down(avr_t *a, avr_cycle_count_t when, void *p)
{
    (void)a; (void)when; (void)p;
    amp.on = 0;
    amp.bits = 25;
    avr_cycle_timer_cancel(avr, fall, NULL);
    data(1);
    return 0;
}

static void clock_moved(avr_irq_t *irq, uint32_t value, void *p)
{
    (void)irq; (void)p;
    int high = value & 1;
    if (high == amp.clock)
        return;
    amp.clock = high;
    if (!amp.plugged)
        return;
    static avr_cycle_count_t rose, longest;
    if (!high) {
        if (truth && avr->cycle - rose > longest)
            fprintf(truth, "H %.2f\n", (longest = avr->cycle - rose) / (double)US);
        avr_cycle_timer_cancel(avr, power_down, NULL);
        if (!amp.on) {
            amp.on = 1;
            settle();
        }
        return;
    }
    rose = avr->cycle;
    avr_cycle_timer_register(avr, 60 * US, power_down, NULL);
    if (amp.bits < 24) {
        data(amp.word >> (23 - amp.bits) & 1);
        if (amp.stretch_us > 0 && amp.bits == 9) { /* as if an interrupt had come with the clock high */
            avr->cycle += (avr_cycle_count_t)(amp.stretch_us * US);
            amp.stretch_us = 0;
        }
        if (++amp.bits == 24 && truth)
            fprintf(truth, "L %d\n", (int32_t)(amp.word << 8) >> 8);
    } else {
        amp.bits = 25;
        data(1);
    }
}

static void rate_moved(avr_irq_t *irq, uint32_t value, void *p)
{
    (void)irq; (void)p;
    if ((int)(value & 1) != amp.fast_rate) {
        amp.fast_rate = value & 1;
        settle();
    }
}

/* Angle sensor */

static struct { int plugged, selected; uint8_t pointer, status; } sensor = {1, 0, 0, 0x20};

static void bus_moved(avr_irq_t *irq, uint32_t value, void *p)
{
    (void)irq; (void)p;
    avr_twi_msg_irq_t message = {.u.v = value};
    uint8_t what = message.u.twi.msg;
    if (what & TWI_COND_STOP)
        sensor.selected = 0;
    if (what & TWI_COND_START) {
        sensor.selected = sensor.plugged && message.u.twi.addr >> 1 == 0x36;
        if (sensor.selected)
            avr_raise_irq(bus + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_ACK, message.u.twi.addr, 1));
        return;
    }
    if (!sensor.selected)
        return;
    if (what & TWI_COND_WRITE) {
        avr_raise_irq(bus + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_ACK, message.u.twi.addr, 1));
        sensor.pointer = message.u.twi.data;
    }
    if (what & TWI_COND_READ) {
        static uint16_t angle;
        uint8_t byte = 0;
        if (sensor.pointer == 0x0B) {
            byte = sensor.status;
        } else if (sensor.pointer == 0x0C) {
            angle = (uint16_t)lrint(chuck(now_s()) / (2 * M_PI) * 4096) & 0xFFF;
            byte = angle >> 8;
            sensor.pointer = 0x0D;
        } else if (sensor.pointer == 0x0D) {
            byte = angle & 0xFF;
            sensor.pointer = 0x0C;
            if (truth)
                fprintf(truth, "A %d\n", angle);
        }
        avr_raise_irq(bus + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_READ, message.u.twi.addr, byte));
    }
}

/* Port */

static uint8_t outgoing[4096];
static size_t outgoing_n;
static uint8_t typed[4096];
static size_t typed_from, typed_to;
static int may_type = 1;

static int stdin_ended(void)
{
    struct pollfd in = {.fd = 0, .events = POLLIN};
    char byte;
    return poll(&in, 1, 0) > 0 && read(0, &byte, 1) <= 0;
}

/* Everything goes out, however long the reader takes; unless the one who started us is gone. */
static void flush_port(void)
{
    size_t done = 0;
    while (done < outgoing_n) {
        ssize_t n = write(port, outgoing + done, outgoing_n - done);
        if (n > 0) {
            done += n;
            continue;
        }
        struct pollfd out = {.fd = port, .events = POLLOUT};
        poll(&out, 1, 100);
        if (stdin_ended())
            exit(0);
    }
    outgoing_n = 0;
}

static void byte_out(avr_irq_t *irq, uint32_t value, void *p)
{
    (void)irq; (void)p;
    if (outgoing_n == sizeof outgoing)
        flush_port();
    outgoing[outgoing_n++] = (uint8_t)value;
}

static void xon(avr_irq_t *irq, uint32_t value, void *p) { (void)irq; (void)value; (void)p; may_type = 1; }
static void xoff(avr_irq_t *irq, uint32_t value, void *p) { (void)irq; (void)value; (void)p; may_type = 0; }

static avr_cycle_count_t type_byte(avr_t *a, avr_cycle_count_t when, void *p)
{
    (void)a; (void)p;
    if (typed_from < typed_to && may_type)
        avr_raise_irq(uart_in, typed[typed_from++]);
    if (typed_from == typed_to)
        typed_from = typed_to = 0;
    return when + BYTE_CYCLES;
}

static void read_port(void)
{
    ssize_t n = read(port, typed + typed_to, sizeof typed - typed_to);
    if (n > 0)
        typed_to += n;
}

/* Events */

static struct event { double at_s; const char *what; } events[64];
static int event_n, event_next;

static void happen(const char *what)
{
    if (!strcmp(what, "load-out")) { data(1); amp.plugged = 0; }
    else if (!strcmp(what, "load-in")) { amp.plugged = 1; amp.on = 1; amp.bits = 25; settle(); }
    else if (!strcmp(what, "short")) { amp.shorted = 1; data(0); }
    else if (!strcmp(what, "over")) amp.open = 1;
    else if (!strcmp(what, "over-end")) amp.open = 0;
    else if (!strcmp(what, "pulse")) amp.stretch_us = 70;
    else if (!strcmp(what, "pulse-30")) amp.stretch_us = 30;
    else if (!strcmp(what, "magnet-out")) sensor.status = 0x00;
    else if (!strcmp(what, "magnet-in")) sensor.status = 0x20;
    else if (!strcmp(what, "magnet-weak")) sensor.status = 0x30;
    else if (!strcmp(what, "magnet-strong")) sensor.status = 0x28;
    else if (!strcmp(what, "angle-out")) sensor.plugged = 0;
    else if (!strcmp(what, "angle-in")) sensor.plugged = 1;
    else if (!strcmp(what, "reset")) { if (truth) fprintf(truth, "reset\n"); avr_reset(avr); }
    else die("unknown event");
}

static double wall_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

int main(int argc, char **argv)
{
    int fast = 0;
    double seconds = 1e9;
    FILE *say = fdopen(dup(1), "w"); /* the library prints on standard output */
    dup2(2, 1);
    static elf_firmware_t firmware;
    if (argc < 2 || elf_read_firmware(argv[1], &firmware))
        die("no firmware");
    for (int i = 2; i < argc; i++) {
        const char *value = i + 1 < argc ? argv[i + 1] : "";
        if (!strcmp(argv[i], "--fast")) { fast = 1; continue; }
        if (!strcmp(argv[i], "--seconds")) seconds = atof(value);
        else if (!strcmp(argv[i], "--truth")) truth = fopen(value, "w");
        else if (!strcmp(argv[i], "--noise")) noise = atof(value);
        else if (!strcmp(argv[i], "--period")) period_s = atof(value);
        else if (!strcmp(argv[i], "--load")) {
            double *t = load_terms;
            if (sscanf(value, "%lf,%lf,%lf,%lf,%lf", t, t + 1, t + 2, t + 3, t + 4) != 5)
                die("--load takes five numbers");
        } else if (!strcmp(argv[i], "--at")) {
            char *what;
            double at_s = strtod(value, &what);
            if (*what != ':' || event_n == 64)
                die("--at takes SECONDS:WHAT");
            events[event_n++] = (struct event){at_s, what + 1};
        } else die("unknown option");
        i++;
    }

    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        die("no such chip");
    avr_init(avr);
    avr->frequency = (uint32_t)HZ;
    avr->log = LOG_ERROR;
    avr_load_firmware(avr, &firmware);

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    data_line = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), clock_moved, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 7), rate_moved, NULL);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_out, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), xon, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), xoff, NULL);
    const char *names[] = {"sensor.in", "sensor.out"};
    bus = avr_alloc_irq(&avr->irq_pool, 0, 2, names);
    avr_connect_irq(bus + TWI_IRQ_INPUT, avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT));
    avr_connect_irq(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT), bus + TWI_IRQ_OUTPUT);
    avr_irq_register_notify(bus + TWI_IRQ_OUTPUT, bus_moved, NULL);

    int end;
    char name[128];
    struct termios raw;
    if (openpty(&port, &end, name, NULL, NULL))
        die("no pseudo-terminal");
    tcgetattr(end, &raw);
    cfmakeraw(&raw);
    tcsetattr(end, TCSANOW, &raw); /* our own end stays open: the reader may close and open again */
    fcntl(port, F_SETFL, O_NONBLOCK);
    fprintf(say, "%s\n", name);
    fflush(say);

    while (typed_to == 0) { /* the go */
        struct pollfd both[] = {{.fd = port, .events = POLLIN}, {.fd = 0, .events = POLLIN}};
        poll(both, 2, -1);
        if (both[1].revents && stdin_ended())
            return 0;
        read_port();
    }

    data(1);
    settle();
    avr_cycle_timer_register(avr, 5000 * US, type_byte, NULL); /* the board is up by then */
    double begun = wall_s();
    const avr_cycle_count_t slice = (avr_cycle_count_t)(HZ / 1000);
    avr_cycle_count_t next = slice;
    while (now_s() < seconds) {
        while (avr->cycle < next)
            if (avr_run(avr) >= cpu_Done)
                die("the board has stopped");
        next += slice;
        while (event_next < event_n && now_s() >= events[event_next].at_s)
            happen(events[event_next++].what);
        flush_port();
        read_port();
        if (!fast) {
            double ahead = now_s() - (wall_s() - begun);
            if (ahead > 0)
                usleep((useconds_t)(1e6 * ahead));
        }
        if (stdin_ended())
            break;
    }
    flush_port();
    if (truth)
        fclose(truth);
    fprintf(stderr, "simulator: %.1f s of board time in %.1f s\n", now_s(), wall_s() - begun);
    if (seconds < 1e9)
        while (!stdin_ended()) /* what is on its way stays readable until then */
            usleep(20000);
    return 0;
}
