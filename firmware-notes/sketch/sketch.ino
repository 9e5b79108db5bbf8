// One EMG board and one load cell, 500 frames a second, as text of the line protocol, version 1 (see ../protocol.md).
// For any board with an analog input and a serial port at 500000 baud; plainer and slower than ../board/board.c, and
// without the compact twin.
//
//   A0  EMG board      2  DOUT of the two-wire 24-bit load-cell ADC      3  its clock      4  its rate select, if free
//
// On a 3.3 V board no input may see more than 3.3 V: supply converter and EMG board from the 3.3 V pin too.

const char BOARD_ID[] = "00000001";  // eight hexadecimal digits: give each of your boards its own
const uint32_t PERIOD_US = 2000;
const uint8_t DOUT = 2, CLOCK = 3, RATE_SELECT = 4;
const int32_t FORCE_RAIL = -8388608;
const uint8_t UNSETTLED = 4;  // conversions after power-up that are not yet good
const uint32_t STALE_US = 250000;  // a load cell that has not converted for this long is not there

bool sending = true;
uint16_t seq, lost;
uint32_t nextUs, convertedUs;
int32_t force = FORCE_RAIL;
uint8_t unsettled = UNSETTLED;
#ifdef ARDUINO_ARCH_AVR
const uint8_t ADC_BITS = 10;
#else
const uint8_t ADC_BITS = 12;
#endif

void setup() {
  Serial.begin(500000);
  pinMode(DOUT, INPUT_PULLUP);  // a cable that fell off reads as "not ready"
  pinMode(CLOCK, OUTPUT);
  pinMode(RATE_SELECT, INPUT_PULLUP);  // 80 conversions a second; a board that ties the pin low is not shorted
#ifndef ARDUINO_ARCH_AVR
  analogReadResolution(ADC_BITS);
#endif
  char words[56];
  snprintf(words, sizeof words, "#boot proto=1 fw=1 id=%s reset=unknown", BOARD_ID);
  Serial.write('\n');  // ends whatever line was cut
  sendLine(words);
  nextUs = micros() + PERIOD_US;
}

void loop() {
  listen();
  readLoadCell();
  if ((int32_t)(micros() - nextUs) < 0) return;
  uint16_t emg = analogRead(A0);
  if (sending) sendFrame(nextUs, emg);
  nextUs += PERIOD_US;
  while ((int32_t)(micros() - nextUs) >= (int32_t)PERIOD_US) {  // too late for this one: its number will be missing
    nextUs += PERIOD_US;
    seq++;
    lost++;
  }
}

void sendFrame(uint32_t us, uint16_t emg) {
  char line[48];
  if (micros() - convertedUs > STALE_US) {
    force = FORCE_RAIL;
    unsettled = UNSETTLED;  // it may have lost its supply too
  }
  snprintf(line, sizeof line, "%u,%lu,%u,%ld", seq, (unsigned long)us, emg, (long)force);
  sendLine(line);
  seq++;
}

void sendLine(const char *line) {
  char tail[8];
  snprintf(tail, sizeof tail, ",%u\n", check(line));
  Serial.write(line);
  Serial.write(tail);
}

uint16_t check(const char *line) {
  uint16_t crc = 0xFFFF;
  while (*line) {
    crc ^= (uint16_t)(uint8_t)*line++ << 8;
    for (uint8_t bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
  }
  return crc;
}

void readLoadCell() {
  if (digitalRead(DOUT) == HIGH) return;
  uint32_t bits = 0;
  for (uint8_t i = 0; i < 25; i++) {  // the 25th pulse: same input and gain next time
    noInterrupts();                   // 60 us high would switch the converter off
    digitalWrite(CLOCK, HIGH);
    delayMicroseconds(1);
    uint8_t bit = digitalRead(DOUT);
    digitalWrite(CLOCK, LOW);
    interrupts();
    if (i < 24) bits = bits << 1 | bit;
  }
  convertedUs = micros();
  if (unsettled)
    unsettled--;
  else
    force = (int32_t)(bits << 8) >> 8;
}

void listen() {
  static char command[24];
  static uint8_t n;
  while (Serial.available()) {
    char letter = Serial.read();
    if (letter != '\n' && letter != '\r') {
      if (n < sizeof command - 1) command[n++] = letter;
      continue;
    }
    command[n] = 0;
    if (n) obey(command);
    n = 0;
  }
}

void obey(const char *command) {
  if (!strcmp(command, "info")) {
    char words[144];
    snprintf(words, sizeof words,
             "#info proto=1 fw=1 id=%s rate=500 columns=seq,t_us,emg_1,force rails=0..%u,-8388608..8388607 send=%s lost=%u",
             BOARD_ID, (1u << ADC_BITS) - 1, sending ? "text" : "nothing", lost);
    sendLine(words);
  } else if (!strcmp(command, "start")) {
    sendLine("#ok start");
    seq = lost = 0;
    sending = true;
  } else if (!strcmp(command, "stop")) {
    sending = false;
    sendLine("#ok stop");
  } else {
    sendLine("#error unknown command");
  }
}
