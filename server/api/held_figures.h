// Figures that are made once for a period over the whole fleet and held: the trend verdicts of a calendar month and
// the weekly list of worse machines. Thread-safe: requests come on the workers' threads, Step on the one that keeps
// house.
//
// Looked at anew each day, nearly every steady machine would be flagged as trending once in a year, and the list of
// worse machines would flicker. So the first answer made for a period stays, whichever server made it.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "bayward/v1/figures.pb.h"
#include "proto/common/clock.h"
#include "server/api/held_periods.h"
#include "server/model/fleet.h"
#include "server/store/held_figure_store.h"

namespace bayward {

// Computes over the whole fleet, at the default level and confidence.
struct HeldFigureMakers {
  std::function<absl::StatusOr<v1::JudgeTrendsResponse>(const v1::Window&)> trends;
  // The second: full names of the machines on the list before.
  std::function<absl::StatusOr<v1::CompareMachinesResponse>(const v1::Window&, const std::set<std::string>&)>
      comparison;
};

// Step waits so long after a period's end for agents that have not delivered up to it.
inline constexpr absl::Duration kHeldFigurePatience = absl::Hours(72);

class HeldFigures {
 public:
  using FleetSource = std::function<std::shared_ptr<const Fleet>()>;
  // Whether all agents have delivered what they recorded up to an instant.
  using Delivered = std::function<bool(absl::Time)>;

  // `store` and `clock` outlive it.
  HeldFigures(HeldFigureStore& store, FleetSource fleet, const Clock& clock, HeldFigureMakers makers,
              Delivered delivered)
      : store_(store),
        fleet_(std::move(fleet)),
        clock_(clock),
        makers_(std::move(makers)),
        delivered_(std::move(delivered)),
        patience_from_(clock.Now()) {}

  // Makes the figures of the last whole month and week where they are missing and either everything up to the
  // period's end has been delivered or kHeldFigurePatience is over, counted from the later of the period's end and
  // this object's beginning. Nothing is made while the window has no observed time. Quick where nothing is missing:
  // to be called each minute or so. Errors: the store's and the makers'; to be tried again.
  absl::Status Step(absl::Time now);

  // Answers from what is held, making it first where nobody has yet, narrowed to the scope. Errors: those of
  // WantedMonth and ResolveScope; FailedPrecondition where nothing was observed in the window; the store's and the
  // makers'.
  absl::StatusOr<v1::JudgeTrendsResponse> Trends(std::string_view month, const v1::Scope& scope);
  absl::StatusOr<v1::CompareMachinesResponse> WorseMachines(const v1::Scope& scope);

 private:
  using Make = std::function<absl::StatusOr<std::optional<std::string>>(const HeldPeriod&, absl::Time made_at)>;

  // Nothing where there is nothing to make it of.
  absl::StatusOr<std::optional<HeldFigure>> FindOrMake(std::string_view kind, const HeldPeriod& period,
                                                       const Make& make);
  absl::StatusOr<std::optional<std::string>> MakeTrends(const HeldPeriod& period, absl::Time made_at) const;
  absl::StatusOr<std::optional<std::string>> MakeComparison(const HeldPeriod& period, absl::Time made_at) const;
  absl::Status StepOne(std::string_view kind, const HeldPeriod& period, const Make& make, absl::Time now,
                       std::string& known);
  absl::StatusOr<std::shared_ptr<const Fleet>> CurrentFleet() const;
  Make trends() {
    return [this](const HeldPeriod& period, absl::Time made_at) { return MakeTrends(period, made_at); };
  }
  Make comparison() {
    return [this](const HeldPeriod& period, absl::Time made_at) { return MakeComparison(period, made_at); };
  }

  HeldFigureStore& store_;
  const FleetSource fleet_;
  const Clock& clock_;
  const HeldFigureMakers makers_;
  const Delivered delivered_;
  const absl::Time patience_from_;

  // Step's thread's: the last periods known to be held.
  std::string trends_known_;
  std::string comparison_known_;

  // One figure is made at a time; who waits for it finds it held.
  absl::Mutex making_;
};

// What a server says that holds none: FailedPrecondition.
absl::Status NothingHeld();

}  // namespace bayward
