// A code book: a TOML file that gives the raw signals and codes of one controller family their meaning as
// fault classes, cycles and modes. Read once, then immutable and shared by any threads.
//
// Common keys
//   name, version           text, required; the server shows them
//   source                  "modbus" or "lines", required: which kind of source delivers the signals
//   [[delay]]               class (optional), on_delay, off_delay: for faults that state none; without
//                           `class` for all. Zero where nothing is said. A delay decides whether a fault is
//                           recorded, never its times. Safety classes take none: naming one is refused, a
//                           delay for all passes them over.
//   [[fault]]               class      required, "subsystem.failure_mode"
//                           effect     "blocking", "degrading" or "advisory" instead of the class's default;
//                                      an effect of a safety class is never lowered
//                           origin     "internal", "external", "user" or "people" instead of the class's
//                                      default
//                           priority   1 to 1000, 1 first, among faults that rise together; default: none
//                           raw_code, raw_text   what the controller or its manual calls it
//                           on_delay, off_delay  up to 55m
//                           and what makes it active, by kind of source
//
// source = "modbus"
//   [[signal]]              name; table "coil", "discrete_input", "input_register" or "holding_register";
//                           address 0 to 65535 as on the wire; of registers also type "u16" (default) or
//                           "u32" with word_order "high_first" (default) or "low_first", and bit (0 the least
//                           significant); inverted, for a bit that is 0 when it speaks; holds = "code" for a
//                           register with the present fault's code, with no_fault (default 0): codes that no
//                           fault names become `unclassified.fault`
//   [[fault]]               signal; with bit (of a register) or equals (a value); default: not 0; inverted
//   [cycle]                 running, aborted: a signal's name, or { signal, bit, equals, inverted };
//                           programme: a signal; programmes: names by number; longest, 10s to 24h, required:
//                           a cycle that lasts longer is abandoned. Without `aborted`, a cycle that ends
//                           while a blocking fault is active was aborted.
//   [mode]                  occupied: a signal; [[mode.closed]] signal, bit, equals, inverted; reason
//                           "frost", "water_restriction", "quiet_hours", "upkeep" or "other": the first that
//                           holds. A technician's presence goes before closed.
//
// source = "lines": a field is named by JSON pointer ("/state"), a test is a table of fields and values, all
// of which a line must have: { "/kind" = "alarm", "/state" = "on" }
//   [lines]                 machine, time, code, text: fields; raised, cleared: tests, required if there are
//                           faults
//   [[fault]]               code, the value of the code field, or `when`, a test
//   [cycle]                 started, finished, aborted: tests; id, programme: fields; programmes: names by
//                           value; longest. Without an id one cycle runs at a time.
//   [mode]                  in_service, occupied: tests; [[mode.closed]] when, reason
//   [snapshot]              when: test; faults: field with an array of all codes active now. Observation
//                           begins with such a line.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "agent/codebook/fault_mapping.h"
#include "agent/codebook/lines_book.h"
#include "agent/codebook/modbus_book.h"

namespace bayward {

enum class BookSource { kModbus, kLines };

struct CodeBook {
  std::string name;
  std::string version;
  std::string sha256;  // of the file's bytes, lower-case hexadecimal
  BookSource source = BookSource::kModbus;
  std::vector<FaultMapping> faults;  // in the file's order
  ModbusBook modbus;
  LinesBook lines;
};

// nullptr, with every fault appended to `faults` as "file:line: message", where the text is no valid code
// book.
std::shared_ptr<const CodeBook> ParseCodeBook(std::string_view text, const std::string& file,
                                              std::vector<std::string>& faults);
std::shared_ptr<const CodeBook> ReadCodeBook(const std::filesystem::path& path,
                                             std::vector<std::string>& faults);

}  // namespace bayward
