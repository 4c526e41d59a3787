// The settings of the kinds of sources, as one [[source]] table of the agent's configuration states them.
// Value types.
//
// Common keys
//   name          text, required, unique in the agent
//   kind          "modbus", "lines" or "rehearsal", required
//
// kind = "modbus": Modbus TCP
//   host          required; port (default 502)
//   poll          time between two readings of every machine, 50ms to 1m (default 500ms)
//   timeout       for a connection or an answer, 50ms to 30s (default 1s)
//   silent_after  without a good reading for this long a machine counts as not observed, 1s to 10m (default
//                 10s)
//   merge_gap     registers nobody asked for that one request may read along, 0 to 60 (default 16)
//   [[source.machine]]  machine: its key; unit: 0 to 255 (default 1); codebook: path
//
// kind = "lines": one JSON object a line
//   path          a file that is followed as it grows, or "-" for standard input, required
//   from          "end" (default): what is in the file at the start is old; "beginning": the whole file, at
//                 every start
//   silent_after  as above, 1s to 24h; without it silence is no loss
//   [[source.machine]]  machine; codebook; as: the value of the code book's machine field that means this
//                       machine
//
// kind = "rehearsal": plays a scenario (agent/sources/scenario.h)
//   path          required
//   machines      the keys that the scenario plays, required
//   begin         "as_written" (default): its times are taken as they are; "now": its first event plays at
//                 the source's first start, all others relative to it
//   speed         1 to 1000 (default 1): how much faster than written it plays; more than 1 needs begin =
//                 "now"
//   at_end        "quiet" (default) or "repeat": from its beginning again
//
// Paths are relative to the configuration file's folder.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "absl/time/time.h"
#include "agent/codebook/code_book.h"
#include "agent/codebook/table_reader.h"

namespace bayward {

struct ModbusSettings {
  struct Machine {
    std::string machine;
    int unit = 1;
    int line = 0;  // of the configuration file, here and below
    std::shared_ptr<const CodeBook> book;
  };
  std::string name;
  std::string host;
  std::uint16_t port = 502;
  absl::Duration poll = absl::Milliseconds(500);
  absl::Duration timeout = absl::Seconds(1);
  absl::Duration silent_after = absl::Seconds(10);
  unsigned merge_gap = 16;
  std::vector<Machine> machines;
};

struct LinesSettings {
  struct Machine {
    std::string machine;
    int line = 0;
    std::string as;  // empty: every line is this machine's
    std::shared_ptr<const CodeBook> book;
  };
  std::string name;
  std::filesystem::path path;  // "-": standard input
  bool from_beginning = false;
  absl::Duration silent_after = absl::InfiniteDuration();
  std::vector<Machine> machines;
};

struct RehearsalSettings {
  std::string name;
  std::filesystem::path path;
  std::vector<std::string> machines;
  int line = 0;
  bool begin_now = false;
  double speed = 1;
  bool repeat = false;
};

using SourceSettings = std::variant<ModbusSettings, LinesSettings, RehearsalSettings>;

// Code books included. nullopt, with every fault appended to `faults`, where there is one.
std::optional<SourceSettings> ReadSourceSettings(TableReader& source, const std::filesystem::path& folder,
                                                 std::vector<std::string>& faults);

}  // namespace bayward
