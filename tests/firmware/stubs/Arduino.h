// What the sketches use of the Arduino core, on this computer: time is a number, pins are functions of it.
#pragma once
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstring>

enum { LOW, HIGH, INPUT, OUTPUT, INPUT_PULLUP, A0 };
extern uint32_t now_us;
extern int rate_mode, adc_bits;
void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);
inline void analogReadResolution(int bits) { adc_bits = bits; }
inline uint32_t micros() { return now_us; }
inline void delay(uint32_t ms) { now_us += 1000 * ms; }
inline void delayMicroseconds(uint32_t us) { now_us += us; }
inline void interrupts() {}
inline void noInterrupts() {}
template <class A, class B> A min(A a, B b) { return b < a ? A(b) : a; }
