#include "server/timeline/sweep.h"

#include <algorithm>
#include <cstdint>
#include <tuple>
#include <utility>

namespace bayward {
namespace {

enum class Change : std::uint8_t { kSpellEnds, kModeEnds, kSpellBegins, kModeBegins, kOther };

struct Point {
  absl::Time at;
  Change change;
  std::size_t index;  // into the material's spells or modes
};

std::vector<Point> Points(const Material& material, absl::Time observed_until) {
  std::vector<Point> points;
  points.reserve(2 * (material.spells.size() + material.modes.size() + material.observed.intervals().size()) +
                 1);
  for (std::size_t i = 0; i < material.spells.size(); ++i) {
    points.push_back({material.spells[i].interval.start, Change::kSpellBegins, i});
    points.push_back({material.spells[i].interval.end, Change::kSpellEnds, i});
  }
  for (std::size_t i = 0; i < material.modes.size(); ++i) {
    points.push_back({material.modes[i].interval.start, Change::kModeBegins, i});
    points.push_back({material.modes[i].interval.end, Change::kModeEnds, i});
  }
  for (const Interval& observed : material.observed.intervals()) {
    points.push_back({observed.start, Change::kOther, 0});
    points.push_back({observed.end, Change::kOther, 0});
  }
  points.push_back({observed_until, Change::kOther, 0});
  points.push_back({material.seen_until, Change::kOther, 0});
  std::sort(points.begin(), points.end(), [](const Point& a, const Point& b) {
    return std::tuple(a.at, a.change, a.index) < std::tuple(b.at, b.change, b.index);
  });
  return points;
}

// Active spells by what they do.
struct Counts {
  int blocking = 0;
  int external = 0;
  int degrading = 0;

  Counts& operator+=(const Counts& other) {
    blocking += other.blocking;
    external += other.external;
    degrading += other.degrading;
    return *this;
  }
};

class Sweeper {
 public:
  Sweeper(const Material& material, absl::Time observed_until, bool delivery_expected)
      : material_(material), observed_until_(observed_until), delivery_expected_(delivery_expected) {}

  Sweep Run() {
    const std::vector<Point> points = Points(material_, observed_until_);
    absl::Time from = absl::InfinitePast();
    std::size_t next = 0;
    // What begins at InfinitePast is there from the start; every other instant begins a stretch of its own.
    while (true) {
      for (; next < points.size() && points[next].at == from; ++next) Take(points[next]);
      const absl::Time to = next < points.size() ? points[next].at : absl::InfiniteFuture();
      if (to == from) break;
      Emit({from, to});
      from = to;
    }
    FinishRun(absl::InfiniteFuture());
    for (ConditionSpan& span : sweep_.spans) SetOrigin(span);
    return std::move(sweep_);
  }

 private:
  void Take(const Point& point) {
    switch (point.change) {
      case Change::kSpellBegins:
      case Change::kSpellEnds: {
        const SpellPiece& piece = material_.spells[point.index];
        const int by = point.change == Change::kSpellBegins ? 1 : -1;
        Counts& counts = piece.open() ? open_ : ended_;
        if (piece.keeps_down()) {
          counts.blocking += by;
          if (by > 0) risen_.push_back(&piece);
        } else if (piece.spell->effect == Effect::kBlocking) {
          counts.external += by;
        } else if (piece.spell->effect == Effect::kDegrading) {
          counts.degrading += by;
        }
        return;
      }
      case Change::kModeBegins:
        mode_ = &material_.modes[point.index];
        return;
      case Change::kModeEnds:
        if (mode_ == &material_.modes[point.index]) mode_ = nullptr;
        return;
      case Change::kOther:
        return;
    }
  }

  bool Observed(absl::Time t) {
    const auto& observed = material_.observed.intervals();
    while (next_observed_ < observed.size() && observed[next_observed_].end <= t) ++next_observed_;
    return next_observed_ < observed.size() && observed[next_observed_].start <= t;
  }

  // What is known to be so from `at` on: after the last that was seen, nothing that is still open.
  void Know(absl::Time at) {
    const bool blind = at >= material_.seen_until;
    active_ = ended_;
    if (!blind) active_ += open_;
    known_mode_ = mode_ == nullptr || (blind && mode_->open()) ? nullptr : mode_->mode;
  }

  // Whether a closure withholds what is active now: it began before the first of the faults and has not been
  // broken.
  void FollowClosure(absl::Time at) {
    const bool closed = known_mode_ != nullptr && known_mode_->mode == Mode::kClosed;
    if (closed && !was_closed_) closed_since_ = at;
    was_closed_ = closed;
    if (active_.blocking == 0) {
      faults_active_ = false;
    } else if (!faults_active_) {
      faults_active_ = true;
      closed_before_faults_ = closed && closed_since_ < at;
    } else if (!closed) {
      closed_before_faults_ = false;
    }
  }

  // An occupation keeps the machine as it found it.
  void FollowOccupation() {
    const bool occupied = mode_ != nullptr && mode_->mode->mode == Mode::kOccupied;
    if (occupied && !was_occupied_) found_down_ = last_ == Condition::kDown;
    was_occupied_ = occupied;
  }

  ConditionSpan Judge(const Interval& interval) {
    ConditionSpan span{.interval = interval};
    const bool observed = Observed(interval.start);
    const bool occupied = was_occupied_ && known_mode_ != nullptr;
    const bool down = occupied ? found_down_ : faults_active_ && !closed_before_faults_;
    if (down) {
      span.condition = Condition::kDown;
      span.inferred = !observed;
    } else if (occupied || was_closed_) {
      span.condition = Condition::kWithheld;
      span.withheld_external = active_.external > 0;
      if (was_closed_) {
        span.withheld_reason = known_mode_->reason;
      } else if (!span.withheld_external) {
        span.withheld_reason = ModeReason::kUpkeep;
      }
    } else if (active_.external > 0) {
      span.condition = Condition::kWithheld;
      span.withheld_external = true;
    } else if (!observed) {
      span.condition = Condition::kUnknown;
      const bool pending = delivery_expected_ && interval.start >= observed_until_;
      span.unknown = pending ? UnknownKind::kPending : UnknownKind::kLost;
    } else {
      span.condition = active_.degrading > 0 ? Condition::kDegraded : Condition::kUp;
    }
    return span;
  }

  void Emit(const Interval& interval) {
    Know(interval.start);
    FollowClosure(interval.start);
    FollowOccupation();
    const ConditionSpan span = Judge(interval);
    FollowRun(interval.start);
    last_ = span.condition;
    sweep_.spans.push_back(span);
  }

  void FollowRun(absl::Time at) {
    if (ended_.blocking + open_.blocking == 0 && !(in_run_ && was_occupied_ && found_down_)) {
      FinishRun(at);
      return;
    }
    if (!in_run_) {
      in_run_ = true;
      sweep_.runs.push_back({.interval = {at, absl::InfiniteFuture()}, .members = {}});
    }
    auto& members = sweep_.runs.back().members;
    members.insert(members.end(), risen_.begin(), risen_.end());
    risen_.clear();
  }

  void FinishRun(absl::Time at) {
    if (!in_run_) return;
    in_run_ = false;
    BlockingRun& run = sweep_.runs.back();
    run.interval.end = at;
    run.end_seen = EndSeen(run);
  }

  bool EndSeen(const BlockingRun& run) const {
    if (run.interval.end == absl::InfiniteFuture()) return false;
    bool by_spell = false;
    for (const SpellPiece* piece : run.members) {
      if (piece->interval.end != run.interval.end) continue;
      by_spell = true;
      const SpellEnd end = piece->spell->end;
      if (piece->end_cut || end == SpellEnd::kLostSight || end == SpellEnd::kHandedOver) return false;
    }
    // Ended by the end of an occupation: seen if somebody watched.
    return by_spell || material_.observed.contains(run.interval.end);
  }

  void SetOrigin(ConditionSpan& span) {
    if (span.condition != Condition::kDown) return;
    while (sweep_.runs[next_run_].interval.end <= span.interval.start) ++next_run_;
    span.down_origin = sweep_.runs[next_run_].members.front()->spell->origin;
  }

  const Material& material_;
  const absl::Time observed_until_;
  const bool delivery_expected_;
  Sweep sweep_;

  Counts ended_;  // of spells that have ended
  Counts open_;  // of those without end
  const ModePiece* mode_ = nullptr;
  Counts active_;  // known to be, now
  const ModeSpan* known_mode_ = nullptr;
  std::vector<const SpellPiece*> risen_;  // blocking ones since the last stretch

  bool was_closed_ = false;
  absl::Time closed_since_;
  bool faults_active_ = false;
  bool closed_before_faults_ = false;
  bool was_occupied_ = false;  // whether or not anybody saw it go on
  bool found_down_ = false;
  bool in_run_ = false;
  Condition last_ = Condition::kUnknown;
  std::size_t next_observed_ = 0;
  std::size_t next_run_ = 0;
};

}  // namespace

Sweep SweepMaterial(const Material& material, absl::Time observed_until, bool delivery_expected) {
  return Sweeper(material, observed_until, delivery_expected).Run();
}

}  // namespace bayward
