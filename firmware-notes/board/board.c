/* Reference firmware for an ATmega328P at 16 MHz: two EMG boards and one load cell, 1000 frames a second.
 *
 *   A0, A1  EMG boards (0 V to the supply voltage)
 *   D2      DOUT of a two-wire 24-bit load-cell ADC;  D3 its clock
 *   D4      its rate select, where the converter board leaves it free (80 conversions a second). The pin only pulls up:
 *           on a board that ties it low it stays at 10 a second, and nothing is shorted
 *
 * Speaks the line protocol, version 1, at 500000 baud: see ../protocol.md. Build:
 *   avr-gcc -mmcu=atmega328p -Os -std=gnu11 -Wall -Wextra -o board.elf board.c
 *
 * Interrupts take samples and move bytes; the main loop writes lines. Nothing waits inside an interrupt. A frame for
 * which there is no room is counted, never cut: its sequence number is missing.
 */
#ifndef F_CPU
#define F_CPU 16000000UL
#endif
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <stdint.h>
#include <string.h>
#include <util/atomic.h>
#include <util/crc16.h>
#include <util/delay.h>

#ifndef BAUD_RATE
#define BAUD_RATE 500000UL
#endif
#define RATE_HZ 1000U
#define PERIOD_US (1000000UL / RATE_HZ)
#define FRAMES_PER_PACKET 10
#define STALE_FRAMES (RATE_HZ / 4) /* a load cell that has not converted for this long is not there */
#define FORCE_RAIL (-8388608L)
#define UNSETTLED 4 /* conversions after power-up that are not yet good */
#define LONGEST_LINE 42
#define INFO "proto=1 fw=1 id="
#define LAYOUT " rate=1000 columns=seq,t_us,emg_1,emg_2,force rails=0..1023,0..1023,-8388608..8388607 send="

enum mode { NOTHING, TEXT, BINARY };

/* ---- samples: taken in interrupts, waiting in a ring ---- */
struct sample {
	uint16_t seq;
	uint32_t us;
	uint16_t emg[2];
};
#define N_SAMPLES 16
static struct sample samples[N_SAMPLES];
static volatile uint8_t sample_head, sample_tail;
static volatile uint32_t t_us; /* the board's clock: multiples of the period, wraps by itself */
static volatile uint16_t seq, lost;
static volatile uint8_t mode = NOTHING;
static volatile uint8_t adc_channel = 255; /* 255: idle */

ISR(TIMER1_COMPA_vect)
{
	t_us += PERIOD_US;
	adc_channel = 0;
	ADMUX = _BV(REFS0);
	ADCSRA |= _BV(ADSC);
}

ISR(ADC_vect)
{
	static uint16_t first;
	uint16_t value = ADC; /* before the input is switched */
	if (adc_channel == 0) {
		first = value;
		adc_channel = 1;
		ADMUX = _BV(REFS0) | 1;
		ADCSRA |= _BV(ADSC);
		return;
	}
	if (adc_channel != 1 || mode == NOTHING) return;
	adc_channel = 255;
	uint8_t next = (sample_head + 1) & (N_SAMPLES - 1);
	if (next == sample_tail) {
		lost++;
	} else {
		struct sample *s = &samples[sample_head];
		s->seq = seq;
		s->us = t_us;
		s->emg[0] = first;
		s->emg[1] = value;
		sample_head = next;
	}
	seq++;
}

/* ---- serial line: two rings ---- */
static uint8_t tx[256];
static volatile uint8_t tx_head, tx_tail;
static uint8_t rx[64];
static volatile uint8_t rx_head, rx_tail;

ISR(USART_UDRE_vect)
{
	if (tx_tail == tx_head) {
		UCSR0B &= ~_BV(UDRIE0);
		return;
	}
	UDR0 = tx[tx_tail++];
}

ISR(USART_RX_vect)
{
	uint8_t byte = UDR0, next = (rx_head + 1) & (sizeof rx - 1);
	if (next == rx_tail) return;
	rx[rx_head] = byte;
	rx_head = next;
}

static uint8_t tx_room(void) { return tx_tail - tx_head - 1; }

/* Waits for room: frames look at tx_room() first, words are rare. */
static void send(const uint8_t *bytes, uint8_t n)
{
	while (tx_room() < n) {}
	uint8_t head = tx_head;
	while (n--) tx[head++] = *bytes++;
	tx_head = head;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { UCSR0B |= _BV(UDRIE0); }
}

/* ---- numbers and checks. Subtracting powers of ten is ten times as fast as dividing on this chip. ---- */
static char *put_u32(char *p, uint32_t value)
{
	static const uint32_t powers[] PROGMEM = {1000000000, 100000000, 10000000, 1000000, 100000};
	uint8_t started = 0;
	for (uint8_t i = 0; i < 5; i++) {
		uint32_t power = pgm_read_dword(&powers[i]);
		char digit = '0';
		while (value >= power) {
			value -= power;
			digit++;
		}
		started |= digit != '0';
		if (started) *p++ = digit;
	}
	uint8_t tens = 0; /* below 100000: one more digit than 16 bits need not hold */
	while (value >= 10000) {
		value -= 10000;
		tens++;
	}
	uint16_t rest = value;
	static const uint16_t small[] PROGMEM = {1000, 100, 10};
	started |= tens != 0;
	if (started) *p++ = '0' + tens;
	for (uint8_t i = 0; i < 3; i++) {
		uint16_t power = pgm_read_word(&small[i]);
		char digit = '0';
		while (rest >= power) {
			rest -= power;
			digit++;
		}
		started |= digit != '0';
		if (started) *p++ = digit;
	}
	*p++ = '0' + rest;
	return p;
}

static char *put_i32(char *p, int32_t value)
{
	if (value < 0) {
		*p++ = '-';
		value = -value;
	}
	return put_u32(p, value);
}

static char *put_text(char *p, PGM_P text) { return strcpy_P(p, text) + strlen_P(text); }

static char *put_hex(char *p, uint32_t value)
{
	for (int8_t shift = 28; shift >= 0; shift -= 4) {
		uint8_t digit = (value >> shift) & 15;
		*p++ = digit < 10 ? '0' + digit : 'A' + digit - 10;
	}
	return p;
}

static uint16_t check(const void *bytes, uint8_t n)
{
	uint16_t crc = 0xFFFF;
	for (const uint8_t *b = bytes; n--; b++) crc = _crc_xmodem_update(crc, *b);
	return crc;
}

/* ---- lines and packets ---- */
static void send_line(char *line, char *end)
{
	uint16_t crc = check(line, end - line);
	*end++ = ',';
	end = put_u32(end, crc);
	*end++ = '\n';
	send((uint8_t *)line, end - line);
}

/* COBS: each zero is replaced by the distance to the next one. At most 253 bytes, so no block is ever full. */
static void send_packet(uint8_t *body, uint8_t n)
{
	uint16_t crc = check(body, n);
	body[n++] = crc;
	body[n++] = crc >> 8;
	uint8_t start = 0;
	for (uint8_t i = 0; i <= n; i++) {
		if (i < n && body[i]) continue;
		uint8_t distance = i - start + 1;
		send(&distance, 1);
		send(body + start, i - start);
		start = i + 1;
	}
	send((const uint8_t[]){0}, 1);
}

static uint8_t packet[7 + 8 * FRAMES_PER_PACKET + 2];
static uint8_t packet_n;    /* bytes in it */
static uint16_t packet_seq; /* what comes next in it */

static void pack(const struct sample *s, int32_t force)
{
	if (packet_n && s->seq != packet_seq) {
		send_packet(packet, packet_n);
		packet_n = 0;
	}
	if (!packet_n) {
		packet[0] = 'F';
		memcpy(packet + 1, &s->seq, 2);
		memcpy(packet + 3, &s->us, 4);
		packet_n = 7;
	}
	memcpy(packet + packet_n, s->emg, 4);
	memcpy(packet + packet_n + 4, &force, 4);
	packet_n += 8;
	packet_seq = s->seq + 1;
	if (packet_n == 7 + 8 * FRAMES_PER_PACKET) {
		send_packet(packet, packet_n);
		packet_n = 0;
	}
}

static void print(const struct sample *s, int32_t force)
{
	char line[LONGEST_LINE], *p = line;
	p = put_u32(p, s->seq);
	*p++ = ',';
	p = put_u32(p, s->us);
	for (uint8_t i = 0; i < 2; i++) {
		*p++ = ',';
		p = put_u32(p, s->emg[i]);
	}
	*p++ = ',';
	send_line(line, put_i32(p, force));
}

/* ---- load cell ---- */
#define DOUT _BV(PD2)
#define CLOCK _BV(PD3)
#define FAST _BV(PD4)
static int32_t force = FORCE_RAIL;
static uint16_t force_age; /* frames since the last conversion */
static uint8_t unsettled = UNSETTLED;

static void read_load_cell(void)
{
	if (PIND & DOUT) return; /* not ready; a cable that fell off is pulled up and never is */
	uint32_t value = 0;
	for (uint8_t i = 0; i < 25; i++) { /* the 25th pulse: same input and gain next time */
		uint8_t bit;
		ATOMIC_BLOCK(ATOMIC_RESTORESTATE) /* 60 us high would switch the converter off */
		{
			PORTD |= CLOCK;
			_delay_us(1);
			bit = PIND & DOUT;
			PORTD &= ~CLOCK;
		}
		if (i < 24) value = value << 1 | !!bit;
		_delay_us(1);
	}
	force_age = 0;
	if (unsettled)
		unsettled--;
	else
		force = (int32_t)(value << 8) >> 8;
}

/* ---- words ---- */
static uint32_t id;
static uint32_t EEMEM stored_id = 0xFFFFFFFF; /* never written */

/* Noise of the converters, stirred; kept for life. */
static void make_id(void)
{
	id = eeprom_read_dword(&stored_id);
	if (id != 0xFFFFFFFFUL) return;
	id = 0x811C9DC5UL;
	for (uint8_t i = 0; i < 64; i++) {
		ADMUX = _BV(REFS0) | (i & 7);
		ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS1);
		loop_until_bit_is_clear(ADCSRA, ADSC);
		id = (id ^ ADCL ^ ((uint16_t)ADCH << 4) ^ i) * 0x01000193UL;
	}
	if (id == 0xFFFFFFFFUL) id = 0;
	eeprom_update_dword(&stored_id, id);
}

static void say(char *words, char *end)
{
	if (mode == BINARY)
		send_packet((uint8_t *)words, end - words);
	else
		send_line(words, end);
}

static void say_info(void)
{
	static char words[176];
	char *p = put_text(words, PSTR("#info " INFO));
	p = put_hex(p, id);
	p = put_text(p, PSTR(LAYOUT));
	p = put_text(p, mode == TEXT ? PSTR("text") : mode == BINARY ? PSTR("binary") : PSTR("nothing"));
	p = put_text(p, PSTR(" lost="));
	uint16_t n;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { n = lost; }
	say(words, put_u32(p, n));
}

static void say_boot(uint8_t cause)
{
	char words[64];
	send((const uint8_t *)"\n", 1);
	char *p = put_text(words, PSTR("#boot " INFO));
	p = put_hex(p, id);
	p = put_text(p, PSTR(" reset="));
	p = put_text(p, cause & _BV(WDRF)    ? PSTR("watchdog")
	                : cause & _BV(PORF)  ? PSTR("power")
	                : cause & _BV(BORF)  ? PSTR("brownout")
	                : cause & _BV(EXTRF) ? PSTR("button")
	                                     : PSTR("unknown"));
	send_line(words, p);
}

static void set_mode(uint8_t wanted, PGM_P answer)
{
	char words[32];
	if (mode == BINARY) send((const uint8_t[]){0, '\n'}, 2);
	mode = NOTHING;
	send_line(words, put_text(words, answer));
	packet_n = 0;
	if (wanted == BINARY) send((const uint8_t[]){0}, 1);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		seq = lost = 0;
		sample_tail = sample_head;
		mode = wanted;
	}
}

static void obey(const char *command)
{
	if (!strcmp_P(command, PSTR("info"))) {
		say_info();
	} else if (!strcmp_P(command, PSTR("start"))) {
		set_mode(TEXT, PSTR("#ok start"));
	} else if (!strcmp_P(command, PSTR("start binary"))) {
		set_mode(BINARY, PSTR("#ok start binary"));
	} else if (!strcmp_P(command, PSTR("stop"))) {
		set_mode(NOTHING, PSTR("#ok stop"));
	} else {
		char words[32];
		say(words, put_text(words, PSTR("#error unknown command")));
	}
}

static void listen(void)
{
	static char command[24];
	static uint8_t n;
	while (rx_tail != rx_head) {
		char byte = rx[rx_tail];
		rx_tail = (rx_tail + 1) & (sizeof rx - 1);
		if (byte != '\n' && byte != '\r') {
			if (n < sizeof command - 1) command[n++] = byte;
			continue;
		}
		command[n] = 0;
		if (n) obey(command);
		n = 0;
	}
}

/* ---- the whole ---- */
static void set_up(void)
{
	PORTD = DOUT | FAST;
	DDRD = CLOCK;
	make_id();
	UCSR0A = _BV(U2X0);
	const uint16_t divider = (F_CPU + BAUD_RATE * 4) / (BAUD_RATE * 8) - 1;
	UBRR0H = divider >> 8;
	UBRR0L = divider & 255;
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
	ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADIF) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 104 us a conversion */
	OCR1A = F_CPU / 8 / RATE_HZ - 1;
	TCCR1B = _BV(WGM12) | _BV(CS11);
	TIMSK1 = _BV(OCIE1A);
}

int main(void)
{
	uint8_t cause = MCUSR;
	MCUSR = 0;
	set_up();
	set_sleep_mode(SLEEP_MODE_IDLE);
	sei();
	say_boot(cause);
	mode = TEXT;
	for (;;) {
		listen();
		read_load_cell();
		if (sample_tail != sample_head && (mode == BINARY || tx_room() >= LONGEST_LINE)) {
			struct sample s = samples[sample_tail];
			sample_tail = (sample_tail + 1) & (N_SAMPLES - 1);
			if (force_age < STALE_FRAMES) {
				force_age++;
			} else { /* it may have lost its supply too */
				force = FORCE_RAIL;
				unsettled = UNSETTLED;
			}
			if (mode == BINARY)
				pack(&s, force);
			else
				print(&s, force);
			continue;
		}
		cli(); /* an interrupt between the question and the sleep would be slept through */
		if (sample_tail == sample_head && rx_tail == rx_head) {
			sleep_enable();
			sei();
			sleep_cpu();
			sleep_disable();
		}
		sei();
	}
}
