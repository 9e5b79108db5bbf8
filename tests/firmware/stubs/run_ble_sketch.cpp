// Runs the Bluetooth sketch for some seconds of its own time; prints what it advertises and notifies.
#include <Arduino.h>
#include <ArduinoBLE.h>
uint32_t now_us = 4294000000u;  // its clock is about to wrap
int rate_mode = -1, adc_bits = 10;
BLELocalDevice BLE;
#include "prototypes.h"
#include "ble_sketch.ino"

// A converter that is ready 80 times a second, after a start of unsettled rubbish: 100 counts more with each conversion.
static uint32_t bits_left, word_, conversions, ready_us;
void pinMode(uint8_t pin, uint8_t mode) { if (pin == RATE_SELECT) rate_mode = mode; }
void digitalWrite(uint8_t pin, uint8_t level) {
  if (pin != CLOCK || level != HIGH) return;
  if (bits_left == 0) return;
  bits_left--;
}
static bool is_away() { return now_us - 4294000000u > 3000000u && now_us - 4294000000u < 3500000u; }
int digitalRead(uint8_t pin) {
  if (pin != DOUT) return LOW;
  if (bits_left) return (word_ >> (bits_left - 1)) & 1;
  if (is_away() || (int32_t)(now_us - ready_us) < 0) return HIGH;
  ready_us = now_us + 12500;
  conversions++;
  word_ = (conversions <= 4 ? 0x7F0000u : 100 * conversions) << 1;
  bits_left = 25;
  return LOW;
}
int analogRead(uint8_t) { return int((1 << (adc_bits - 1)) * (1 + 0.9 * sin(2 * M_PI * 5 * (now_us - 4294000000u) / 1e6))); }

static void command(const char *text) {
  fromHost.length = (int)strlen(text);
  memcpy(fromHost.held, text, fromHost.length);
  fromHost.written(BLEDevice(), fromHost);
}

int main() {
  setup();
  printf("rate-pin %s\n", rate_mode == INPUT_PULLUP ? "pulled up" : "driven");
  auto run = [](uint32_t us) { for (uint32_t end = now_us + us; (int32_t)(end - now_us) > 0; now_us += 50) loop(); };
  run(100000);
  command("info\n");
  command("what\n");
  command("start binary\n");
  run(5000000);
  command("stop\n");
  run(100000);
  printf("end\n");
}
