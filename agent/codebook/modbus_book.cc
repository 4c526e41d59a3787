#include "agent/codebook/modbus_book.h"

#include <charconv>
#include <utility>

#include "agent/codebook/book_reader.h"
#include "fmt/format.h"

namespace bayward {
namespace {

constexpr std::uint32_t kMax16 = 0xFFFF;
constexpr std::uint32_t kMax32 = 0xFFFFFFFF;

std::uint32_t LargestValue(const ModbusSignal& signal) {
  if (signal.single_bit()) return 1;
  return signal.width() == 1 ? kMax16 : kMax32;
}

class Reader {
 public:
  Reader(TableReader& root, const Delays& delays, CodeBook& book)
      : root_(root), delays_(delays), book_(book) {}

  void Read() {
    ReadSignals();
    ReadFaults();
    ReadCycle();
    ReadMode();
    // Last, so that the mappings of the fault entries come first.
    for (CodeSignal& code : rules().codes) code.unclassified = AddUnclassified(book_, delays_);
  }

 private:
  ModbusBook& rules() { return book_.modbus; }

  void ReadSignals() {
    if (!root_.Has("signal"))
      root_.Fault("signal", "the code book has no [[signal]]: name what is to be read");
    for (TableReader& reader : root_.Tables("signal")) {
      ModbusSignal signal = ReadSignal(reader);
      ReadHolds(reader, signal);
      reader.RefuseUnknown();
      for (const ModbusSignal& other : rules().signals) {
        if (other.name == signal.name && !signal.name.empty()) {
          reader.Fault("name", fmt::format("a second signal \"{}\": give each its own name", signal.name));
        }
      }
      rules().signals.push_back(std::move(signal));
    }
  }

  static ModbusSignal ReadSignal(TableReader& reader) {
    ModbusSignal signal;
    signal.name = reader.Text("name");
    if (!reader.Has("table")) reader.Fault("table", "[[signal]] has no \"table\"");
    const auto table =
        reader.Choice("table", {"coil", "discrete_input", "input_register", "holding_register"});
    signal.table = static_cast<ModbusTable>(table.value_or(0));
    if (!reader.Has("address"))
      reader.Fault("address", "[[signal]] has no \"address\": 0 to 65535, as on the wire");
    signal.address = static_cast<std::uint16_t>(reader.Integer("address", 0, kMax16).value_or(0));
    ReadNumber(reader, signal);
    signal.inverted = reader.Flag("inverted").value_or(false);
    if (signal.inverted && !signal.single_bit()) {
      reader.Fault("inverted",
                   "only a single bit can be inverted: name the bit, or invert where the signal is used");
    }
    return signal;
  }

  static void ReadNumber(TableReader& reader, ModbusSignal& signal) {
    const bool wide = reader.Choice("type", {"u16", "u32"}).value_or(0) == 1;
    const bool low_first = reader.Choice("word_order", {"high_first", "low_first"}).value_or(0) == 1;
    const auto bit = reader.Integer("bit", 0, wide ? 31 : 15);
    if (bit.has_value()) signal.bit = static_cast<unsigned>(*bit);
    if (IsBits(signal.table)) {
      for (const char* key : {"type", "word_order", "bit"}) {
        if (reader.Has(key))
          reader.Fault(key, fmt::format("{} is for registers; a coil or input is one bit", key));
      }
      signal.bit.reset();
      return;
    }
    if (wide) signal.type = low_first ? NumberType::kU32LowWordFirst : NumberType::kU32HighWordFirst;
    if (!wide && reader.Has("word_order")) reader.Fault("word_order", "word_order needs type = \"u32\"");
    if (wide && signal.address == kMax16) {
      reader.Fault("address", "a u32 takes two registers: the last address for it is 65534, found 65535");
    }
  }

  void ReadHolds(TableReader& reader, const ModbusSignal& signal) {
    const bool holds_code = reader.Choice("holds", {"code"}).has_value();
    const auto no_fault = reader.Integer("no_fault", 0, LargestValue(signal));
    if (!holds_code && reader.Has("no_fault")) reader.Fault("no_fault", "no_fault needs holds = \"code\"");
    if (!holds_code) return;
    if (signal.single_bit()) {
      reader.Fault("holds", "a code needs a whole register, found a single bit");
      return;
    }
    CodeSignal code;
    code.signal = rules().signals.size();
    code.no_fault = static_cast<std::uint32_t>(no_fault.value_or(0));
    rules().codes.push_back(std::move(code));
  }

  // nullopt with a fault where there is no such signal.
  std::optional<std::size_t> FindSignal(TableReader& reader, std::string_view key, const std::string& name) {
    for (std::size_t i = 0; i < rules().signals.size(); ++i) {
      if (rules().signals[i].name == name) return i;
    }
    if (!name.empty()) {
      reader.Fault(key, fmt::format("there is no signal \"{}\": declare it as a [[signal]]", name));
    }
    return std::nullopt;
  }

  // signal, bit, equals, inverted.
  std::optional<SignalTest> ReadTest(TableReader& reader) {
    SignalTest test;
    const auto signal = FindSignal(reader, "signal", reader.Text("signal"));
    const auto bit = reader.Integer("bit", 0, 31);
    const auto equals = reader.Integer("equals", 0, kMax32);
    test.inverted = reader.Flag("inverted").value_or(false);
    if (!signal.has_value()) return std::nullopt;
    test.signal = *signal;
    const ModbusSignal& read = rules().signals[*signal];
    if (bit.has_value()) {
      test.bit = static_cast<unsigned>(*bit);
      const unsigned bits = read.single_bit() ? 0 : read.width() * 16;
      if (*test.bit >= bits) {
        reader.Fault(
            "bit", bits == 0
                       ? fmt::format("signal \"{}\" is a single bit already: take the bit out", read.name)
                       : fmt::format("signal \"{}\" has bits 0 to {}, found {}", read.name, bits - 1, *bit));
      }
    }
    if (equals.has_value()) {
      test.equals = static_cast<std::uint32_t>(*equals);
      if (*test.equals > LargestValue(read)) {
        reader.Fault("equals", fmt::format("signal \"{}\" reaches {} at most, found {}", read.name,
                                           LargestValue(read), *equals));
      }
    }
    if (bit.has_value() && equals.has_value())
      reader.Fault("equals", "bit and equals exclude each other: keep one");
    return test;
  }

  // A signal's name, or a table as ReadTest reads it.
  std::optional<SignalTest> ReadTestAt(TableReader& reader, std::string_view key) {
    if (reader.HoldsTable(key)) {
      auto table = reader.Table(key);
      const auto test = ReadTest(*table);
      table->RefuseUnknown();
      return test;
    }
    const auto name = reader.OptionalText(key);
    if (!name.has_value()) return std::nullopt;
    const auto signal = FindSignal(reader, key, *name);
    if (!signal.has_value()) return std::nullopt;
    SignalTest test;
    test.signal = *signal;
    return test;
  }

  void ReadFaults() {
    for (TableReader& reader : root_.Tables("fault")) {
      FaultMapping mapping = ReadFaultMapping(reader, delays_);
      const auto test = ReadTest(reader);
      reader.RefuseUnknown();
      if (!test.has_value()) continue;
      for (const SignalTest& other : rules().faults) {
        if (other == *test) reader.Fault("signal", "another [[fault]] maps this already: keep one of them");
      }
      MapCode(reader, *test, mapping);
      rules().faults.push_back(*test);
      book_.faults.push_back(std::move(mapping));
    }
  }

  void MapCode(TableReader& reader, const SignalTest& test, FaultMapping& mapping) {
    for (CodeSignal& code : rules().codes) {
      if (code.signal != test.signal) continue;
      if (!test.equals.has_value() || test.inverted) {
        reader.Fault("signal", "this signal holds a code: say which with equals");
        return;
      }
      if (*test.equals == code.no_fault) {
        reader.Fault("equals", fmt::format("{} is the value without a fault (no_fault)", code.no_fault));
      }
      code.mapped.insert(*test.equals);
      if (mapping.raw_code.empty()) mapping.raw_code = std::to_string(*test.equals);
    }
  }

  void ReadCycle() {
    auto reader = root_.Table("cycle");
    if (!reader.has_value()) return;
    ModbusCycle cycle;
    if (!reader->Has("running"))
      reader->Fault("running", "[cycle] has no \"running\": the signal that a wash runs");
    const auto running = ReadTestAt(*reader, "running");
    cycle.aborted = ReadTestAt(*reader, "aborted");
    if (const auto programme = reader->OptionalText("programme")) {
      cycle.programme = FindSignal(*reader, "programme", *programme);
    }
    ReadProgrammes(*reader, cycle);
    cycle.longest = ReadLongest(*reader);
    reader->RefuseUnknown();
    if (!running.has_value()) return;
    cycle.running = *running;
    rules().cycle = std::move(cycle);
  }

  static void ReadProgrammes(TableReader& reader, ModbusCycle& cycle) {
    auto names = reader.Table("programmes");
    if (!names.has_value()) return;
    if (!reader.Has("programme"))
      reader.Fault("programmes", "programmes need \"programme\": the signal with the number");
    for (const NamedScalar& entry : names->Scalars()) {
      std::uint32_t number = 0;
      const char* end = entry.key.data() + entry.key.size();
      const auto [stopped_at, error] = std::from_chars(entry.key.data(), end, number);
      const auto* name = std::get_if<std::string>(&entry.value);
      if (error != std::errc() || stopped_at != end || name == nullptr || name->empty()) {
        names->FaultAt(
            entry.line,
            fmt::format("programmes: expected a number and a name, as 1 = \"basic\", found {} = {}",
                        entry.key, ToText(entry.value)));
        continue;
      }
      if (!cycle.programmes.emplace(number, *name).second) {
        names->FaultAt(entry.line, fmt::format("programmes: a second name for {}", number));
      }
    }
  }

  void ReadMode() {
    auto reader = root_.Table("mode");
    if (!reader.has_value()) return;
    rules().occupied = ReadTestAt(*reader, "occupied");
    for (TableReader& closed : reader->Tables("closed")) {
      const auto when = ReadTest(closed);
      const v1::ModeReason reason = ReadModeReason(closed);
      closed.RefuseUnknown();
      if (when.has_value()) rules().closed.push_back({*when, reason});
    }
    reader->RefuseUnknown();
  }

  TableReader& root_;
  const Delays& delays_;
  CodeBook& book_;
};

}  // namespace

void ReadModbusBook(TableReader& root, const Delays& delays, CodeBook& book) {
  Reader(root, delays, book).Read();
}

}  // namespace bayward
