/* Runs the reference firmware in libsimavr as a board on a serial port. Test-only: libsimavr is GPL-3.
 *
 *   board_simulator ELF WAVE RATE SPEED BRIDGE BOOT_MS
 *
 * WAVE: float32 rows (A0 in mV, A1 in mV, load-cell counts) at RATE per second from cycle 0 on, repeated for ever.
 * SPEED: times real time; 0: as fast as the host reads, nothing lost. BRIDGE: bytes that the USB bridge can hold while
 * the host does not read; more are lost. BOOT_MS: time that a start loader holds the chip after a reset.
 *
 * stdout: "PORT /dev/pts/N" at start and after every replug, answers to commands. stdin, one command a line:
 *   reset | unplug | replug | corrupt N | lose N | cell on|off | poke SYMBOL VALUE | stats | quit
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define HZ 16000000.0
#define SUPPLY_MV 5000
#define N_COLUMNS 3
#define QUEUE (1 << 18)

static avr_t *avr;
static elf_firmware_t firmware;

static void die(const char *what)
{
	perror(what);
	exit(1);
}

/* ---- the world outside: a waveform ---- */
static float *wave;
static long n_rows;
static double wave_hz;

static void load_wave(const char *path)
{
	FILE *file = fopen(path, "rb");
	if (!file || fseek(file, 0, SEEK_END)) die(path);
	n_rows = ftell(file) / (long)(N_COLUMNS * sizeof *wave);
	rewind(file);
	wave = malloc(n_rows * N_COLUMNS * sizeof *wave);
	if (!n_rows || !wave || fread(wave, N_COLUMNS * sizeof *wave, n_rows, file) != (size_t)n_rows) die(path);
	fclose(file);
}

static double now_s(void) { return avr->cycle / HZ; }

static double wave_now(int column)
{
	double at = fmod(now_s() * wave_hz, n_rows);
	long row = (long)at, next = (row + 1) % n_rows;
	double share = at - row;
	return wave[row * N_COLUMNS + column] * (1 - share) + wave[next * N_COLUMNS + column] * share;
}

/* ---- A0 and A1. simavr takes whole units at the moment of reading: its voltages run in 0.1 mV here. ---- */
static avr_irq_t *adc;

static void convert(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	union {
		uint32_t value;
		avr_adc_mux_t mux;
	} asked = {value};
	if (asked.mux.kind != ADC_MUX_SINGLE) return;
	double mv = asked.mux.src < 2 ? wave_now(asked.mux.src) : 0;
	mv = mv < 0 ? 0 : mv > SUPPLY_MV ? SUPPLY_MV : mv;
	avr_raise_irq(adc + ADC_IRQ_ADC0 + asked.mux.src, lrint(10 * mv));
}

/* ---- two-wire 24-bit load-cell ADC on D2 (data), D3 (clock), D4 (rate select) ---- */
static struct {
	avr_irq_t *data;
	uint32_t bits;
	int n_pulses, clock, is_ready, is_connected, rate_hz;
	long n_read, n_unread, n_off;
} cell = {.is_connected = 1, .rate_hz = 10};

/* The "external" value too: a write to the port would otherwise raise a pulled-up input again. */
static void set_data(int high)
{
	high |= !cell.is_connected; /* the chip pulls up what nothing drives */
	avr_ioport_external_t pin = {.name = 'D', .mask = 1 << 2, .value = high << 2};
	avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &pin);
	avr_raise_irq(cell.data, high);
}

static avr_cycle_count_t cell_ready(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a, (void)param;
	if (!cell.n_pulses) {
		double counts = fmax(-8388608, fmin(8388607, wave_now(2)));
		cell.n_unread += cell.is_ready;
		cell.bits = (uint32_t)lrint(counts) & 0xffffff;
		cell.is_ready = 1;
		set_data(0);
	}
	return when + HZ / cell.rate_hz;
}

static avr_cycle_count_t cell_off(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a, (void)when, (void)param;
	cell.n_off++; /* clock high for 60 us switches the converter off: reported, and a test fails */
	return 0;
}

static void on_clock(avr_irq_t *irq, uint32_t level, void *param)
{
	(void)irq, (void)param;
	level &= 1;
	if ((int)level == cell.clock) return;
	cell.clock = level;
	if (!level) {
		avr_cycle_timer_cancel(avr, cell_off, NULL);
		return;
	}
	avr_cycle_timer_register_usec(avr, 60, cell_off, NULL);
	if (!cell.is_ready) return;
	cell.n_pulses++;
	set_data(cell.n_pulses <= 24 ? cell.bits >> (24 - cell.n_pulses) & 1 : 1);
	if (cell.n_pulses == 25) {
		cell.n_pulses = cell.is_ready = 0;
		cell.n_read++;
	}
}

static void on_rate_select(avr_irq_t *irq, uint32_t level, void *param)
{
	(void)irq, (void)param;
	cell.rate_hz = level & 1 ? 80 : 10;
}

/* ---- UART and USB bridge on a pseudo-terminal ---- */
static int port = -1, is_open, may_send = 1;
static uint8_t queue[QUEUE], inbox[256];
static size_t q_head, q_tail, n_inbox, inbox_at;
static size_t bridge;
static long n_corrupt, n_lose, n_sent, n_lost_full;
static avr_irq_t *uart_in;

static size_t n_queued(void) { return (q_head - q_tail) % QUEUE; }

static void on_byte(avr_irq_t *irq, uint32_t byte, void *param)
{
	(void)irq, (void)param;
	n_sent++;
	if (n_lose > 0) {
		n_lose--;
		return;
	}
	if (n_corrupt > 0) {
		n_corrupt--;
		byte ^= 1 << (n_sent & 7);
	}
	if (n_queued() >= bridge) {
		n_lost_full++;
		return;
	}
	queue[q_head] = byte;
	q_head = (q_head + 1) % QUEUE;
}

static void on_xon(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)value, (void)param;
	may_send = 1;
}

static void on_xoff(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	if (value) may_send = 0;
}

static void plug_in(void)
{
	port = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
	if (port < 0 || grantpt(port) || unlockpt(port)) die("pseudo-terminal");
	int other = open(ptsname(port), O_RDWR | O_NOCTTY);
	struct termios raw;
	tcgetattr(other, &raw);
	cfmakeraw(&raw);
	tcsetattr(other, TCSANOW, &raw);
	close(other); /* from now on POLLHUP here means that no host has it open */
	is_open = 0;
	printf("PORT %s\n", ptsname(port));
	fflush(stdout);
}

static void unplug(void)
{
	if (port >= 0) close(port);
	port = -1;
	puts("OK unplug");
	fflush(stdout);
}

static double baud_of(speed_t speed)
{
	switch (speed) {
	case B57600: return 57600;
	case B115200: return 115200;
	case B230400: return 230400;
	case B500000: return 500000;
	case B1000000: return 1000000;
	default: return 0;
	}
}

/* At another baud rate than the board's the host reads nonsense. */
static void garble(void)
{
	struct termios host;
	if (tcgetattr(port, &host)) return;
	double divider = avr->data[0xC4] + 256 * avr->data[0xC5] + 1, board = HZ / 8 / divider;
	double ratio = baud_of(cfgetospeed(&host)) / board;
	if (ratio > 0.96 && ratio < 1.04) return;
	for (size_t i = q_tail; i != q_head; i = (i + 1) % QUEUE) queue[i] = queue[i] * 37 + rand();
}

static void serve_port(void)
{
	if (port < 0) {
		q_tail = q_head;
		return;
	}
	struct pollfd look = {.fd = port, .events = POLLIN};
	poll(&look, 1, 0);
	int open_now = !(look.revents & POLLHUP);
	if (open_now && !is_open) q_tail = q_head; /* what was sent before is gone */
	is_open = open_now;
	if (!is_open) {
		q_tail = q_head;
		return;
	}
	garble();
	while (q_tail != q_head) {
		ssize_t n = write(port, queue + q_tail, q_head > q_tail ? q_head - q_tail : QUEUE - q_tail);
		if (n <= 0) break;
		q_tail = (q_tail + n) % QUEUE;
	}
	if (inbox_at == n_inbox) {
		ssize_t n = read(port, inbox, sizeof inbox);
		inbox_at = 0;
		n_inbox = n > 0 ? n : 0;
	}
	while (inbox_at < n_inbox && may_send) avr_raise_irq(uart_in, inbox[inbox_at++]);
}

/* ---- reset, commands ---- */
static avr_cycle_count_t held_until;
static int boot_ms;

enum { POWER = 1, BUTTON = 2 }; /* bits of MCUSR */

static void reset(int cause)
{
	avr_reset(avr); /* forgets our timers and settings */
	avr->data[0x54] = cause;
	avr->run_cycle_limit = 4000;
	avr_extint_set_strict_lvl_trig(avr, 0, 0); /* else a low D2 or D3 is polled in every cycle */
	avr_extint_set_strict_lvl_trig(avr, 1, 0);
	may_send = 1;
	cell.n_pulses = cell.is_ready = cell.clock = 0;
	cell.rate_hz = 10;
	set_data(1);
	avr_cycle_timer_register(avr, HZ / cell.rate_hz, cell_ready, NULL);
	held_until = avr->cycle + boot_ms * (HZ / 1000);
}

static int poke(const char *name, uint32_t value)
{
	for (uint32_t i = 0; i < firmware.symbolcount; i++)
		if (!strcmp(firmware.symbol[i]->symbol, name)) {
			memcpy(avr->data + (firmware.symbol[i]->addr & 0xffff), &value, sizeof value);
			return 1;
		}
	return 0;
}

static int wants_quit;

static void obey(char *command)
{
	char name[64];
	unsigned long value;
	if (!strcmp(command, "quit")) wants_quit = 1;
	else if (!strcmp(command, "reset")) reset(BUTTON);
	else if (!strcmp(command, "unplug")) unplug();
	else if (!strcmp(command, "replug")) {
		reset(POWER);
		plug_in();
	} else if (sscanf(command, "corrupt %lu", &value) == 1) n_corrupt = value;
	else if (sscanf(command, "lose %lu", &value) == 1) n_lose = value;
	else if (!strcmp(command, "cell off")) cell.is_connected = 0, set_data(1);
	else if (!strcmp(command, "cell on")) cell.is_connected = 1;
	else if (sscanf(command, "poke %63s %lu", name, &value) == 2) puts(poke(name, value) ? "OK poke" : "ERROR no symbol");
	else if (!strcmp(command, "stats"))
		printf("STATS {\"device_s\": %.3f, \"sent\": %ld, \"lost_full\": %ld, \"cell_read\": %ld, \"cell_unread\": %ld, "
		       "\"cell_off\": %ld}\n",
		       now_s(), n_sent, n_lost_full, cell.n_read, cell.n_unread, cell.n_off);
	else printf("ERROR %s\n", command);
	fflush(stdout);
}

static void listen_to_test(void)
{
	static char text[256];
	static size_t n;
	struct pollfd look = {.fd = 0, .events = POLLIN};
	if (poll(&look, 1, 0) <= 0) return;
	ssize_t got = read(0, text + n, sizeof text - 1 - n);
	if (got <= 0) wants_quit = 1; /* the test has gone */
	else n += got;
	text[n] = 0;
	for (char *end; (end = strchr(text, '\n'));) {
		*end = 0;
		obey(text);
		n -= end + 1 - text;
		memmove(text, end + 1, n + 1);
	}
}

/* ---- the whole ---- */
static void no_sleep(avr_t *a, avr_cycle_count_t how_long) { (void)a, (void)how_long; }

static void log_nothing(avr_t *a, const int level, const char *format, va_list arguments)
{
	(void)a;
	if (level <= LOG_ERROR) vfprintf(stderr, format, arguments);
}

static void build_board(const char *elf)
{
	avr_global_logger_set(log_nothing);
	if (elf_read_firmware(elf, &firmware)) die(elf);
	avr = avr_make_mcu_by_name("atmega328p");
	avr_init(avr);
	firmware.frequency = HZ;
	avr_load_firmware(avr, &firmware);
	avr->vcc = avr->avcc = avr->aref = 10 * SUPPLY_MV;
	avr->sleep = no_sleep; /* paced below */
	adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
	avr_irq_register_notify(adc + ADC_IRQ_OUT_TRIGGER, convert, NULL);
	uint32_t flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_t *uart = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
	uart_in = uart + UART_IRQ_INPUT;
	avr_irq_register_notify(uart + UART_IRQ_OUTPUT, on_byte, NULL);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XON, on_xon, NULL);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XOFF, on_xoff, NULL);
	avr_irq_t *pins = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 0);
	cell.data = pins + 2;
	avr_irq_register_notify(pins + 3, on_clock, NULL);
	avr_irq_register_notify(pins + 4, on_rate_select, NULL);
}

static double wall_s(void)
{
	struct timespec now;
	clock_gettime(CLOCK_MONOTONIC, &now);
	return now.tv_sec + 1e-9 * now.tv_nsec;
}

static void wait_s(double seconds)
{
	struct timespec time = {0, (long)(1e9 * fmin(seconds, 0.9))};
	nanosleep(&time, NULL);
}

int main(int argc, char **argv)
{
	if (argc != 7) return 2;
	load_wave(argv[2]);
	wave_hz = atof(argv[3]);
	double speed = atof(argv[4]);
	bridge = speed > 0 ? strtoul(argv[5], NULL, 10) : QUEUE - 1;
	boot_ms = atoi(argv[6]);
	signal(SIGPIPE, SIG_IGN);
	build_board(argv[1]);
	plug_in();
	reset(POWER);
	double started_s = wall_s();
	avr_cycle_count_t until = avr->cycle;
	while (!wants_quit) {
		until += HZ / 1000;
		if (held_until > avr->cycle) avr->cycle = held_until < until ? held_until : until;
		while (avr->cycle < until) {
			int state = avr_run(avr);
			if (state == cpu_Done || state == cpu_Crashed) return 3;
		}
		serve_port();
		listen_to_test();
		if (speed > 0) {
			double ahead_s = now_s() / speed - (wall_s() - started_s);
			if (ahead_s > 0) wait_s(ahead_s);
		} else {
			while (is_open && n_queued() > QUEUE / 2 && !wants_quit) {
				wait_s(0.0005);
				serve_port();
				listen_to_test();
			}
		}
	}
	return 0;
}
