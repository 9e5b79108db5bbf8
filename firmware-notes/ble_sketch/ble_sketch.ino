// NOT RUN ON A BOARD HERE: written against the documentation of the ArduinoBLE library. The tests compile it with
// stand-ins for that library and the core, and run it: what it sends is read by the tool.
//
// One EMG board and one load cell over Bluetooth LE, 500 frames a second, as packets of the line protocol, version 1
// (see ../protocol.md, "Compact twin"): one notification is one packet, without COBS. Service and characteristics are
// those of the de-facto UART over Bluetooth LE. For a battery-powered board with a 12-bit converter: nothing that
// touches skin is then connected to the mains.
//
//   A0  EMG board      2  DOUT of the two-wire 24-bit load-cell ADC      3  its clock      4  its rate select, if free
//
// Such boards run on 3.3 V, and no input may see more: supply converter and EMG board from the 3.3 V pin too.
#include <ArduinoBLE.h>

// Eight hexadecimal digits: give each of your boards its own. The advertised name ends in it, so that two boards in one
// room can be told apart: ble:00000002?profile=frame-radio
#define BOARD_ID "00000002"
const uint32_t PERIOD_US = 2000;
const uint8_t DOUT = 2, CLOCK = 3, RATE_SELECT = 4;
const int32_t FORCE_RAIL = -8388608;
const uint32_t STALE_US = 250000;
const uint8_t ADC_BITS = 12;
const uint8_t UNSETTLED = 4;  // conversions after power-up that are not yet good
const uint8_t FRAMES_PER_PACKET = 10;  // 7 + 10 x 6 + 2 bytes: needs an MTU of 72

BLEService uart("6E400001-B5A3-F393-E0A9-E50E24DCCA9E");
BLECharacteristic fromHost("6E400002-B5A3-F393-E0A9-E50E24DCCA9E", BLEWrite | BLEWriteWithoutResponse, 64);
BLECharacteristic toHost("6E400003-B5A3-F393-E0A9-E50E24DCCA9E", BLENotify, 160);

bool sending = false;
uint16_t seq, lost;
uint32_t nextUs, convertedUs;
int32_t force = FORCE_RAIL;
uint8_t unsettled = UNSETTLED;
uint8_t packet[7 + 6 * FRAMES_PER_PACKET + 2];
uint8_t packetFrames;

void setup() {
  pinMode(DOUT, INPUT_PULLUP);
  pinMode(CLOCK, OUTPUT);
  pinMode(RATE_SELECT, INPUT_PULLUP);  // 80 conversions a second; a board that ties the pin low is not shorted
  analogReadResolution(ADC_BITS);
  while (!BLE.begin()) delay(100);
  BLE.setLocalName("hold sensor " BOARD_ID);
  BLE.setAdvertisedService(uart);
  uart.addCharacteristic(fromHost);
  uart.addCharacteristic(toHost);
  BLE.addService(uart);
  fromHost.setEventHandler(BLEWritten, onCommand);
  BLE.setEventHandler(BLEDisconnected, onDisconnect);
  BLE.setConnectionInterval(6, 12);  // 7.5 to 15 ms
  BLE.advertise();
  nextUs = micros() + PERIOD_US;
}

void loop() {
  BLE.poll();
  readLoadCell();
  if ((int32_t)(micros() - nextUs) < 0) return;
  uint16_t emg = analogRead(A0);
  if (sending) addFrame(nextUs, emg);
  nextUs += PERIOD_US;
  while ((int32_t)(micros() - nextUs) >= (int32_t)PERIOD_US) {  // too late: the number will be missing
    flush();                                                     // frames of one packet are consecutive
    nextUs += PERIOD_US;
    seq++;
    lost++;
  }
}

void addFrame(uint32_t us, uint16_t emg) {
  if (micros() - convertedUs > STALE_US) {
    force = FORCE_RAIL;
    unsettled = UNSETTLED;  // it may have lost its supply too
  }
  if (packetFrames == 0) {
    packet[0] = 'F';
    memcpy(packet + 1, &seq, 2);
    memcpy(packet + 3, &us, 4);
  }
  memcpy(packet + 7 + 6 * packetFrames, &emg, 2);
  memcpy(packet + 9 + 6 * packetFrames, &force, 4);
  packetFrames++;
  seq++;
  if (packetFrames == FRAMES_PER_PACKET) flush();
}

void flush() {
  if (packetFrames) sendPacket(packet, 7 + 6 * packetFrames);
  packetFrames = 0;
}

void sendPacket(uint8_t *body, size_t n) {
  uint16_t crc = check(body, n);
  memcpy(body + n, &crc, 2);
  toHost.writeValue(body, n + 2);
}

void say(const char *words) {
  uint8_t body[160];
  size_t n = strlen(words);
  memcpy(body, words, n);
  sendPacket(body, n);
}

uint16_t check(const uint8_t *bytes, size_t n) {
  uint16_t crc = 0xFFFF;
  while (n--) {
    crc ^= (uint16_t)*bytes++ << 8;
    for (uint8_t bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
  }
  return crc;
}

void readLoadCell() {
  if (digitalRead(DOUT) == HIGH) return;
  uint32_t bits = 0;
  for (uint8_t i = 0; i < 25; i++) {
    noInterrupts();
    digitalWrite(CLOCK, HIGH);
    delayMicroseconds(1);
    uint8_t bit = digitalRead(DOUT);
    digitalWrite(CLOCK, LOW);
    delayMicroseconds(1);
    interrupts();
    if (i < 24) bits = bits << 1 | bit;
  }
  convertedUs = micros();
  if (unsettled)
    unsettled--;
  else
    force = (int32_t)(bits << 8) >> 8;
}

void onCommand(BLEDevice, BLECharacteristic) {
  char command[64];
  size_t n = min((size_t)fromHost.valueLength(), sizeof command - 1);
  memcpy(command, fromHost.value(), n);
  while (n && (command[n - 1] == '\n' || command[n - 1] == '\r')) n--;
  command[n] = 0;
  if (!strcmp(command, "info")) {
    char words[150];
    snprintf(words, sizeof words,
             "#info proto=1 fw=1 id=%s rate=500 columns=seq,t_us,emg_1,force rails=0..%u,-8388608..8388607 send=%s lost=%u",
             BOARD_ID, (1u << ADC_BITS) - 1, sending ? "binary" : "nothing", lost);
    say(words);
  } else if (!strcmp(command, "start binary")) {
    say("#ok start binary");
    seq = lost = packetFrames = 0;
    sending = true;
  } else if (!strcmp(command, "stop")) {
    sending = false;
    say("#ok stop");
  } else if (n) {
    say("#error unknown command");
  }
}

void onDisconnect(BLEDevice) { sending = false; }
