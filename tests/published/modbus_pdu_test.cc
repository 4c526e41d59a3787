// Frames of the Modbus Application Protocol Specification V1.1b3 (2012), the examples of sections 6.1, 6.2
// and 6.3, as sent and received by the agent's link.
#include <arpa/inet.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <string>
#include <thread>
#include <vector>

#include "agent/sources/modbus_link.h"
#include "agent/sources/read_plan.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::ElementsAreArray;

using Bytes = std::vector<std::uint8_t>;

// Answers one request with a given PDU, under the request's own header, and remembers the request's PDU.
class OneAnswer {
 public:
  explicit OneAnswer(Bytes answer) : answer_(std::move(answer)), listener_(socket(AF_INET, SOCK_STREAM, 0)) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t size = sizeof(address);
    EXPECT_EQ(bind(listener_, reinterpret_cast<sockaddr*>(&address), size), 0);
    EXPECT_EQ(listen(listener_, 1), 0);
    EXPECT_EQ(getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &size), 0);
    port_ = ntohs(address.sin_port);
    thread_ = std::thread([this] { Serve(); });
  }
  ~OneAnswer() {
    Join();
    close(listener_);
  }

  std::uint16_t port() const { return port_; }
  Bytes request() {
    Join();
    return request_;
  }

 private:
  void Join() {
    if (thread_.joinable()) thread_.join();
  }
  void Serve() {
    pollfd waiting{listener_, POLLIN, 0};
    if (poll(&waiting, 1, 10'000) != 1) return;
    const int connection = accept(listener_, nullptr, nullptr);
    std::array<std::uint8_t, 260> frame{};
    // Header: transaction (2 bytes), protocol (2), length (2), unit (1).
    const ssize_t count = recv(connection, frame.data(), frame.size(), 0);
    if (count > 7) {
      request_.assign(frame.begin() + 7, frame.begin() + count);
      Bytes reply(frame.begin(), frame.begin() + 7);
      reply[5] = static_cast<std::uint8_t>(answer_.size() + 1);
      reply.insert(reply.end(), answer_.begin(), answer_.end());
      send(connection, reply.data(), reply.size(), 0);
    }
    close(connection);
  }

  Bytes answer_;
  int listener_;
  std::uint16_t port_ = 0;
  Bytes request_;
  std::thread thread_;
};

struct Exchange {
  ReadOutcome outcome;
  Bytes request;
  std::vector<std::uint16_t> values;
};

Exchange Read(ModbusTable table, unsigned address, unsigned count, const Bytes& answer) {
  OneAnswer server(answer);
  ModbusLink link("127.0.0.1", server.port(), absl::Seconds(5));
  EXPECT_TRUE(link.Connect().ok());
  Exchange exchange;
  exchange.outcome = link.Read(
      1, {table, static_cast<std::uint16_t>(address), static_cast<std::uint16_t>(count)}, exchange.values);
  exchange.request = server.request();
  return exchange;
}

std::string Bits(const std::vector<std::uint16_t>& values) {
  std::string text;
  for (std::uint16_t value : values) text += value != 0 ? '1' : '0';
  return text;
}

// 6.1: coils 20 to 38, of which the first has address 0x13.
TEST(ModbusPduTest, ReadCoils) {
  const Exchange exchange = Read(ModbusTable::kCoil, 0x13, 19, {0x01, 0x03, 0xCD, 0x6B, 0x05});
  EXPECT_TRUE(exchange.outcome.answered()) << exchange.outcome.detail;
  EXPECT_THAT(exchange.request, ElementsAreArray(Bytes{0x01, 0x00, 0x13, 0x00, 0x13}));
  EXPECT_EQ(Bits(exchange.values), "1011001111010110101");
}

// 6.2: discrete inputs 197 to 218.
TEST(ModbusPduTest, ReadDiscreteInputs) {
  const Exchange exchange = Read(ModbusTable::kDiscreteInput, 0xC4, 22, {0x02, 0x03, 0xAC, 0xDB, 0x35});
  EXPECT_TRUE(exchange.outcome.answered()) << exchange.outcome.detail;
  EXPECT_THAT(exchange.request, ElementsAreArray(Bytes{0x02, 0x00, 0xC4, 0x00, 0x16}));
  EXPECT_EQ(Bits(exchange.values), "0011010111011011101011");
}

// 6.3: holding registers 108 to 110.
TEST(ModbusPduTest, ReadHoldingRegisters) {
  const Exchange exchange =
      Read(ModbusTable::kHoldingRegister, 0x6B, 3, {0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64});
  EXPECT_TRUE(exchange.outcome.answered()) << exchange.outcome.detail;
  EXPECT_THAT(exchange.request, ElementsAreArray(Bytes{0x03, 0x00, 0x6B, 0x00, 0x03}));
  EXPECT_THAT(exchange.values, ElementsAre(555, 0, 100));
}

// The same values as a code book's signals see them.
TEST(ModbusPduTest, SignalsOfTheExamples) {
  std::vector<ModbusSignal> signals(3);
  for (ModbusSignal& signal : signals) signal.table = ModbusTable::kHoldingRegister;
  signals[0].address = 110;
  signals[1].address = 108;
  signals[2].address = 109;
  signals[2].type = NumberType::kU32HighWordFirst;
  const ReadPlan plan = PlanReads(signals, 0);
  ASSERT_THAT(plan.requests, ElementsAre(ReadRequest{ModbusTable::kHoldingRegister, 108, 3}));
  const std::vector<std::uint16_t> answer = {555, 0, 100};
  EXPECT_EQ(ValueOf(signals[0], answer, plan.places[0].offset), 100u);
  EXPECT_EQ(ValueOf(signals[1], answer, plan.places[1].offset), 555u);
  EXPECT_EQ(ValueOf(signals[2], answer, plan.places[2].offset), 100u);
}

// 7: an exception answer has the function's top bit set and a code; 02 is an illegal data address.
TEST(ModbusPduTest, ExceptionsAreToldApart) {
  EXPECT_EQ(Read(ModbusTable::kCoil, 0x04A1, 1, {0x81, 0x02}).outcome.kind, ReadOutcome::kNoSuchAddress);
  EXPECT_EQ(Read(ModbusTable::kHoldingRegister, 1, 1, {0x83, 0x06}).outcome.kind, ReadOutcome::kRefused);
}

}  // namespace
}  // namespace bayward
