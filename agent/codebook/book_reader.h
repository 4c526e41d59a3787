// The pieces of a code book's reader, internal to agent/codebook. Used by one thread.
#pragma once

#include <optional>
#include <vector>

#include "agent/codebook/code_book.h"
#include "agent/codebook/table_reader.h"

namespace bayward {

// [[delay]] entries. An entry for a class goes before the one for all.
class Delays {
 public:
  static Delays Read(TableReader& root);
  absl::Duration OnFor(v1::FaultClass fault_class) const { return For(fault_class, &Entry::on); }
  absl::Duration OffFor(v1::FaultClass fault_class) const { return For(fault_class, &Entry::off); }

 private:
  struct Entry {
    std::optional<v1::FaultClass> fault_class;
    std::optional<absl::Duration> on;
    std::optional<absl::Duration> off;
  };
  absl::Duration For(v1::FaultClass fault_class, std::optional<absl::Duration> Entry::*member) const;
  std::vector<Entry> entries_;
};

bool IsSafety(v1::FaultClass fault_class);

// The keys of a [[fault]] that do not depend on the kind of source. Leaves faults behind; the mapping is then
// not used.
FaultMapping ReadFaultMapping(TableReader& fault, const Delays& delays);

v1::ModeReason ReadModeReason(TableReader& closed);

// `longest` of a [cycle].
absl::Duration ReadLongest(TableReader& cycle);

// An entry for what no other maps; takes the book's delays. Appended to `book`; its index.
std::size_t AddUnclassified(CodeBook& book, const Delays& delays);

// Each reads its kind's part of `root` into `book`, [[fault]] entries included.
void ReadModbusBook(TableReader& root, const Delays& delays, CodeBook& book);
void ReadLinesBook(TableReader& root, const Delays& delays, CodeBook& book);

}  // namespace bayward
