// The part of a code book that reads a controller which prints JSON lines: which fields say what. Value
// types.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "agent/codebook/table_reader.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

// A field, by JSON pointer (RFC 6901), and the value it must have.
struct FieldTest {
  std::string pointer;
  Scalar value;

  bool operator==(const FieldTest&) const = default;
};

// Holds where every field does; an empty one never holds.
using LineTest = std::vector<FieldTest>;

struct LinesCycle {
  LineTest started;
  LineTest finished;
  LineTest aborted;
  std::string id;         // pointer; empty: one cycle at a time
  std::string programme;  // pointer; may be empty
  std::map<std::string, std::string> programmes;
  absl::Duration longest;
};

struct LinesClosed {
  LineTest when;
  v1::ModeReason reason = v1::MODE_REASON_OTHER;
};

// A line that lists all that is active.
struct LinesSnapshot {
  LineTest when;
  std::string faults;  // pointer to an array of codes
};

struct LinesBook {
  // Pointers; empty where the lines have no such field.
  std::string machine;
  std::string time;  // RFC 3339 text, or a number of seconds since 1970
  std::string code;
  std::string text;
  LineTest raised;   // what makes a fault's line say that it began
  LineTest cleared;  // … and that it ended

  std::vector<LineTest> faults;  // as the first ones of CodeBook::faults; the unclassified one follows
  std::map<std::string, std::size_t> codes;  // faults that are named by the value of `code` alone
  std::size_t unclassified = 0;
  std::optional<LinesCycle> cycle;
  LineTest in_service;
  std::vector<LinesClosed> closed;
  LineTest occupied;
  std::optional<LinesSnapshot> snapshot;
};

}  // namespace bayward
