// What the Bluetooth sketch uses of the ArduinoBLE library, as its documentation describes it, without a radio.
#pragma once
#include "Arduino.h"

enum { BLEWrite = 1, BLEWriteWithoutResponse = 2, BLENotify = 4, BLEWritten, BLEDisconnected };
struct BLEDevice {};
struct BLECharacteristic {
  const char *uuid;
  int properties, size;
  uint8_t held[512];
  int length;
  void (*written)(BLEDevice, BLECharacteristic);
  BLECharacteristic(const char *uuid, int properties, int size)
      : uuid(uuid), properties(properties), size(size), held(), length(0), written(nullptr) {}
  void setEventHandler(int, void (*handler)(BLEDevice, BLECharacteristic)) { written = handler; }
  int writeValue(const uint8_t *value, int n) {  // printed; never more than the characteristic holds
    printf("notify ");
    for (int i = 0; i < n && i < size; i++) printf("%02x", value[i]);
    printf("\n");
    return 1;
  }
  int valueLength() const { return length; }
  const uint8_t *value() const { return held; }
};
struct BLEService {
  const char *uuid;
  explicit BLEService(const char *uuid) : uuid(uuid) {}
  void addCharacteristic(BLECharacteristic &) {}
};
struct BLELocalDevice {
  void (*disconnected)(BLEDevice) = nullptr;
  int begin() { return 1; }
  void setLocalName(const char *name) { printf("name %s\n", name); }
  void setAdvertisedService(BLEService &service) { printf("service %s\n", service.uuid); }
  void addService(BLEService &) {}
  void setEventHandler(int, void (*handler)(BLEDevice)) { disconnected = handler; }
  void setConnectionInterval(int, int) {}
  void advertise() {}
  void poll() {}
};
extern BLELocalDevice BLE;
