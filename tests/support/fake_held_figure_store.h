// Held figures in memory, for tests of what makes them. One thread.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <utility>

#include "server/store/held_figure_store.h"

namespace bayward::testing {

class FakeHeldFigureStore : public HeldFigureStore {
 public:
  absl::StatusOr<std::optional<HeldFigure>> Find(std::string_view kind, std::string_view period) override {
    if (!status.ok()) return status;
    ++looks;
    const auto found = figures.find({std::string(kind), std::string(period)});
    return found == figures.end() ? std::nullopt : std::optional(found->second);
  }

  absl::StatusOr<std::optional<HeldFigure>> FindLastBefore(std::string_view kind, std::string_view period) override {
    if (!status.ok()) return status;
    const auto after = figures.lower_bound({std::string(kind), std::string(period)});
    if (after == figures.begin() || std::prev(after)->first.first != kind) return std::optional<HeldFigure>();
    return std::optional(std::prev(after)->second);
  }

  absl::StatusOr<HeldFigure> Hold(const HeldFigure& figure) override {
    if (!status.ok()) return status;
    return figures.try_emplace({figure.kind, figure.period}, figure).first->second;
  }

  std::map<std::pair<std::string, std::string>, HeldFigure> figures;  // by kind and period
  absl::Status status;
  int looks = 0;  // by Find
};

}  // namespace bayward::testing
