// Keeps people's decisions about unknown time; the history store gives them out again. Thread-safe.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"
#include "server/store/database.h"

namespace bayward {

struct NewSettlement {
  SiteId site;
  MachineId machine;
  Interval interval;
  Condition as = Condition::kUp;  // kUp, kDown or kWithheld
  std::string by;
  std::string reason;
};

class SettlementStore {
 public:
  virtual ~SettlementStore() = default;
  // For good: over the same instants only a later one takes its place.
  virtual absl::Status Add(const NewSettlement& settlement) = 0;
};

class PostgresSettlementStore : public SettlementStore {
 public:
  explicit PostgresSettlementStore(Database& database) : database_(database) {}
  absl::Status Add(const NewSettlement& settlement) override;

 private:
  Database& database_;
};

}  // namespace bayward
