#include "agent/sources/modbus_link.h"

#include <modbus/modbus.h>

#include <cerrno>
#include <utility>

#include "proto/common/status.h"

namespace bayward {
namespace {

ReadOutcome::Kind KindOf(int error) {
  switch (error) {
    case ETIMEDOUT: return ReadOutcome::kTimedOut;
    case EMBXILADD: return ReadOutcome::kNoSuchAddress;
    case EMBXILFUN:
    case EMBXILVAL:
    case EMBXSFAIL:
    case EMBXACK:
    case EMBXSBUSY:
    case EMBXNACK:
    case EMBXMEMPAR:
    case EMBXGPATH:
    case EMBXGTAR: return ReadOutcome::kRefused;
    default: return ReadOutcome::kLinkBroken;
  }
}

std::string_view NameOf(ModbusTable table) {
  switch (table) {
    case ModbusTable::kCoil: return "coil";
    case ModbusTable::kDiscreteInput: return "discrete input";
    case ModbusTable::kInputRegister: return "input register";
    case ModbusTable::kHoldingRegister: return "holding register";
  }
  return "?";
}

}  // namespace

ModbusLink::ModbusLink(std::string host, std::uint16_t port, absl::Duration timeout)
    : host_(std::move(host)), port_(port), timeout_(timeout) {}

ModbusLink::~ModbusLink() { Close(); }

absl::Status ModbusLink::Connect() {
  Close();
  const std::string service = std::to_string(port_);
  context_ = modbus_new_tcp_pi(host_.c_str(), service.c_str());
  if (context_ == nullptr) return Unavailable("Modbus {}:{}: {}", host_, port_, modbus_strerror(errno));
  const std::int64_t timeout_us = absl::ToInt64Microseconds(timeout_);
  modbus_set_response_timeout(context_, static_cast<std::uint32_t>(timeout_us / 1'000'000),
                              static_cast<std::uint32_t>(timeout_us % 1'000'000));
  if (modbus_connect(context_) == 0) {
    connected_ = true;
    return absl::OkStatus();
  }
  const int error = errno;
  Close();
  return Unavailable("no connection to the Modbus controller at {}:{}: {}", host_, port_,
                     error == 0 ? "unknown host or no answer" : modbus_strerror(error));
}

void ModbusLink::Close() {
  if (context_ == nullptr) return;
  if (connected_) modbus_close(context_);
  modbus_free(context_);
  context_ = nullptr;
  connected_ = false;
}

ReadOutcome ModbusLink::Read(int unit, const ReadRequest& request, std::vector<std::uint16_t>& answer) {
  if (!connected_) return {ReadOutcome::kLinkBroken, "not connected"};
  modbus_set_slave(context_, unit);
  if (ReadInto(request, answer) == request.count) return {};
  const int error = errno;
  const ReadOutcome::Kind kind = KindOf(error);
  if (kind == ReadOutcome::kTimedOut || kind == ReadOutcome::kLinkBroken) Close();
  return {kind, fmt::format("unit {}, {} {}, count {}: {}", unit, NameOf(request.table), request.address,
                            request.count, modbus_strerror(error))};
}

int ModbusLink::ReadInto(const ReadRequest& request, std::vector<std::uint16_t>& answer) {
  answer.resize(request.count);
  errno = 0;
  if (request.table == ModbusTable::kHoldingRegister) {
    return modbus_read_registers(context_, request.address, request.count, answer.data());
  }
  if (request.table == ModbusTable::kInputRegister) {
    return modbus_read_input_registers(context_, request.address, request.count, answer.data());
  }
  bits_.resize(request.count);
  const int count = request.table == ModbusTable::kCoil
                        ? modbus_read_bits(context_, request.address, request.count, bits_.data())
                        : modbus_read_input_bits(context_, request.address, request.count, bits_.data());
  for (std::size_t i = 0; i < bits_.size(); ++i) answer[i] = bits_[i];
  return count;
}

}  // namespace bayward
