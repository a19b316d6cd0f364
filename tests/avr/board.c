/* A board for the bridge's firmware: an emulated ATmega328P whose analogue inputs and push-to-talk
 * are set by lines on stdin and whose serial line is a descriptor.
 *
 *     board FIRMWARE.elf DESCRIPTOR SPEED
 *
 * SPEED is how many times real time it runs. Lines: "volts FORWARD_MV REFLECTED_MV", "ptt 0|1",
 * "stall" (the timer stops), "sever" and "join" (nothing leaves the serial line, or does again).
 * Lines on stdout: "<emulated us> inhibit 0|1", "<emulated us> volts F R".
 * It ends with its stdin.
 */
#include <fcntl.h>
#include <poll.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define F_CPU 16000000UL
#define TIMSK1 0x6F
#define SLICE 4000 /* cycles between looks at the outside: 250 us */

static avr_t *avr;
static FILE *report;
static int line, severed, taking;
static avr_irq_t *adc, *uart_in, *ptt;

static unsigned long long now_us(void) { return avr->cycle * 1000000ULL / F_CPU; }

static double host_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    unsigned char byte = value;
    if (!severed && write(line, &byte, 1) != 1)
        return; /* nobody reads: lost, as on a wire */
}

static void on_xon(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    taking = 1;
}

static void on_xoff(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    taking = 0;
}

static void on_inhibit(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    fprintf(report, "%llu inhibit %u\n", now_us(), value & 1);
}

static void do_nothing(avr_t *a, avr_cycle_count_t cycles) { (void)a, (void)cycles; }

static void feed(void)
{
    struct pollfd poll_line = {line, POLLIN, 0};
    unsigned char byte;
    while (taking && poll(&poll_line, 1, 0) == 1 && (poll_line.revents & POLLIN) &&
           read(line, &byte, 1) == 1)
        avr_raise_irq(uart_in, byte);
}

static void obey(const char *words)
{
    unsigned forward, reflected, pressed;
    if (sscanf(words, "volts %u %u", &forward, &reflected) == 2) {
        avr_raise_irq(adc + ADC_IRQ_ADC0, forward);
        avr_raise_irq(adc + ADC_IRQ_ADC1, reflected);
        fprintf(report, "%llu volts %u %u\n", now_us(), forward, reflected);
    } else if (sscanf(words, "ptt %u", &pressed) == 1) {
        avr_raise_irq(ptt, !pressed);
    } else if (!strcmp(words, "stall")) {
        avr->data[TIMSK1] = 0;
    } else if (!strcmp(words, "sever") || !strcmp(words, "join")) {
        severed = words[0] == 's';
    }
}

static int listen_(void)
{
    static char words[128];
    static size_t size;
    struct pollfd poll_in = {0, POLLIN, 0};
    while (poll(&poll_in, 1, 0) == 1) {
        char c;
        if (read(0, &c, 1) != 1)
            return 0;
        if (c == '\n') {
            words[size] = 0;
            size = 0;
            obey(words);
        } else if (size < sizeof words - 1) {
            words[size++] = c;
        }
    }
    return 1;
}

int main(int count, char **arguments)
{
    static elf_firmware_t firmware;
    int out = dup(1);
    dup2(2, 1); /* the library's own messages */
    if (count != 4 || elf_read_firmware(arguments[1], &firmware))
        return 2;
    line = atoi(arguments[2]);
    double speed = atof(arguments[3]);
    fcntl(line, F_SETFL, O_NONBLOCK);
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    firmware.frequency = F_CPU;
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_NONE;
    avr->avcc = avr->aref = avr->vcc = 5000;
    avr->sleep = do_nothing;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    ptt = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_byte, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON),
                            on_xon, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF),
                            on_xoff, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0), on_inhibit, 0);
    avr_raise_irq(ptt, 1);
    taking = 1;
    report = fdopen(out, "w");
    setvbuf(report, 0, _IOLBF, 0);
    double start = host_s();
    while (listen_()) {
        feed();
        avr_cycle_count_t until = avr->cycle + SLICE;
        while (avr->cycle < until) {
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed) {
                fprintf(report, "%llu crashed\n", now_us());
                _exit(3);
            }
        }
        double ahead = avr->cycle / (double)F_CPU / speed - (host_s() - start);
        if (ahead > 0.001)
            usleep(ahead * 1e6);
    }
    _exit(0);
}
