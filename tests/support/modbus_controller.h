// The simulated Modbus controller of tests/integration/modbus_controller.py as a child process. Used by one
// thread.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <cstdio>
#include <string>

namespace bayward {

class ModbusController {
 public:
  // `units`: "1" or "1,2,3". port() is 0 where it did not start.
  explicit ModbusController(const std::string& units);
  ~ModbusController();
  ModbusController(const ModbusController&) = delete;
  ModbusController& operator=(const ModbusController&) = delete;

  std::uint16_t port() const { return port_; }
  // The answer without its "ok"; a failing command fails the running test.
  std::string Tell(const std::string& commands);

 private:
  std::string ReadLine();

  pid_t process_ = -1;
  std::FILE* commands_ = nullptr;
  std::FILE* answers_ = nullptr;
  std::uint16_t port_ = 0;
};

}  // namespace bayward
