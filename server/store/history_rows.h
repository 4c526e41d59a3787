// Reads rows of the timeline's tables inside a transaction, and puts what each assignment recorded together. Private to the
// store; one thread.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "server/model/fleet.h"
#include "server/model/history.h"
#include "server/model/interval.h"
#include "server/store/database.h"
#include "server/timeline/hand_over.h"

namespace bayward {

using HistoryParts = std::map<std::pair<MachineId, std::int32_t>, AssignmentHistory>;  // by machine and assignment
using SettlementsOf = absl::flat_hash_map<MachineId, std::vector<Settlement>>;

class HistoryRows {
 public:
  // Rows that touch `extent`; without one all of the machines' rows.
  HistoryRows(pqxx::transaction_base& tx, std::span<const MachineId> machines, std::optional<Interval> extent);

  void Spells(HistoryParts& parts);
  void Modes(HistoryParts& parts);
  void Observed(HistoryParts& parts);
  void Voided(HistoryParts& parts);
  void Cycles(HistoryParts& parts);
  // Internal where a stored state cannot be read.
  absl::Status Open(HistoryParts& parts);
  void Settlements(SettlementsOf& settlements);

 private:
  // Rows that touch the extent, and earlier ones of which `may_go_on` holds.
  pqxx::result Select(const char* table, const char* from, const char* to, const std::string& may_go_on,
                      const std::string& columns);

  pqxx::transaction_base& tx_;
  const std::string ids_;
  const std::optional<Interval> extent_;
};

// A list of machines as the text of a PostgreSQL array.
std::string ArrayOfIds(std::span<const MachineId> machines);

// The histories of `machines`, in that order; takes from `parts` and `settlements`.
std::vector<MachineHistory> PutTogether(const Fleet& fleet, std::span<const MachineId> machines, HistoryParts parts,
                                        SettlementsOf settlements);

// The bytes of a bytea in PostgreSQL's text format.
std::string BytesOfHex(const pqxx::field& field);

}  // namespace bayward
