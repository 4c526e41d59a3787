// One Modbus TCP connection, through libmodbus. Used by one thread; every call returns within about the
// timeout.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "agent/sources/read_plan.h"

typedef struct _modbus modbus_t;

namespace bayward {

// What became of a request.
struct ReadOutcome {
  enum Kind {
    kAnswered,
    kTimedOut,       // the connection is given up: a late answer must not be taken for another's
    kLinkBroken,     // closed, reset, or an answer that is no Modbus
    kNoSuchAddress,  // exception 2: nothing at some address of the request
    kRefused,        // another exception
  };
  Kind kind = kAnswered;
  std::string detail;

  bool answered() const { return kind == kAnswered; }
};

class ModbusLink {
 public:
  ModbusLink(std::string host, std::uint16_t port, absl::Duration timeout);
  ~ModbusLink();
  ModbusLink(const ModbusLink&) = delete;
  ModbusLink& operator=(const ModbusLink&) = delete;

  // Unavailable where nobody answers at host and port.
  absl::Status Connect();
  bool connected() const { return connected_; }
  void Close();

  // One register or bit in each element of `answer`. Closes the connection after kTimedOut and kLinkBroken.
  ReadOutcome Read(int unit, const ReadRequest& request, std::vector<std::uint16_t>& answer);

 private:
  int ReadInto(const ReadRequest& request, std::vector<std::uint16_t>& answer);

  std::string host_;
  std::uint16_t port_;
  absl::Duration timeout_;
  modbus_t* context_ = nullptr;
  bool connected_ = false;
  std::vector<std::uint8_t> bits_;
};

}  // namespace bayward
