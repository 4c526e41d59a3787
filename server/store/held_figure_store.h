// Figures that are made once for a period and held, whichever server made them. Thread-safe.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/store/database.h"

namespace bayward {

struct HeldFigure {
  std::string kind;
  std::string period;  // texts of one kind in an order of time: "2026-10", "2026-W43"
  absl::Time made_at;  // to the microsecond
  std::int64_t fleet_version = 0;
  std::string response;  // the answer as protobuf
};

class HeldFigureStore {
 public:
  virtual ~HeldFigureStore() = default;

  virtual absl::StatusOr<std::optional<HeldFigure>> Find(std::string_view kind, std::string_view period) = 0;
  // The latest of the periods before `period`.
  virtual absl::StatusOr<std::optional<HeldFigure>> FindLastBefore(std::string_view kind,
                                                                   std::string_view period) = 0;
  // Holds `figure` unless one of its kind and period is held already; returns the one that is, so that all servers
  // answer alike. Idempotent.
  virtual absl::StatusOr<HeldFigure> Hold(const HeldFigure& figure) = 0;
};

class PostgresHeldFigureStore : public HeldFigureStore {
 public:
  explicit PostgresHeldFigureStore(Database& database) : database_(database) {}

  absl::StatusOr<std::optional<HeldFigure>> Find(std::string_view kind, std::string_view period) override;
  absl::StatusOr<std::optional<HeldFigure>> FindLastBefore(std::string_view kind, std::string_view period) override;
  absl::StatusOr<HeldFigure> Hold(const HeldFigure& figure) override;

 private:
  Database& database_;
};

}  // namespace bayward
