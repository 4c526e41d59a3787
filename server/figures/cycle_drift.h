// Whether a machine's washes have become slower than they were: one upper cumulative-sum chart per machine
// over washes standardized by programme and size class. Pure: any thread may compute; a chart is a plain
// value, one thread at a time.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/statistics/cusum.h"

namespace bayward {

// A baseline is learned from at least so many washes over at least so long.
inline constexpr int kBaselineWashesMin = 300;
inline constexpr absl::Duration kBaselineSpanMin = absl::Hours(24 * 14);
// A programme and size class with fewer washes than this in the machine's baseline waits for a full one of
// its own.
inline constexpr int kCellWashesMin = 30;
// A signal is believed when it spans so long: a cold night or a weekend of large vehicles is over by then. Of
// a pause between two washes at most a day counts: standing still makes a signal no older.
inline constexpr absl::Duration kSignalSpanMin = absl::Hours(24 * 3);
inline constexpr absl::Duration kPauseCountedMax = absl::Hours(24);
inline constexpr double kScoreMax = 3;  // scores are cut to ±3, so that one wash that hung is no drift
inline constexpr double kMachineWeeksPerFalseAlarm = 1000;
inline constexpr int kShiftWashesMax = 1000;  // the shift is estimated from the latest so many

struct DriftDesign {
  double reference = 0;  // k, in standard deviations of one wash
  double limit = 0;  // h, same
  double autocorrelation = 0;  // of consecutive washes, allowed for in `limit`
};

// The limit at which a fleet of `washes_per_machine_week` (scored washes, > 0) expects one false alarm in
// 1,000 machine-weeks before the rule of three days, which only takes some away: run length N = 1000·washes
// per week. With h(k, N) of independent scores (CusumLimitFor) and v = (1 + ρ)/(1 − ρ), by which the variance
// of a sum of autocorrelated washes is larger: limit = √v·h(reference/√v, N). `reference` in (0, 2];
// `autocorrelation` ρ in [0, 0.9]. Errors: InvalidArgument outside these, or where no limit in range gives N.
// The default reference is half of the change worth finding, 0.5: 5 % of a wash that varies by 10 %, found in
// about 5 days at 40 washes a day; on larger changes it loses no time, as a signal waits three days anyway
// (both simulated).
absl::StatusOr<DriftDesign> SolveDriftDesign(double washes_per_machine_week, double reference = 0.25,
                                             double autocorrelation = 0.3);

// One wash. Duration > 0.
struct DriftWash {
  absl::Time finished_at;
  absl::Duration duration;
  std::string_view programme;
  std::int32_t size_class = 0;  // of the vehicle; 0: not reported
  // Completed, sold (no test or staff wash), and over no clock step, loss or gap in what was observed.
  bool usable = true;
};

enum class DriftState : std::uint8_t {
  kLearning,  // the first baseline is not complete
  kSteady,
  kSlower,
  kReset,  // maintenance was recorded: a new baseline is being learned
};

// A stretch in which the machine was slower.
struct SlowStretch {
  absl::Time began_at;  // first wash after the chart's sum was last 0: the usual estimate of when it changed
  absl::Time confirmed_at;
  absl::Time ended_at = absl::InfiniteFuture();  // sum at 0 again, or maintenance; InfiniteFuture: goes on
  // Median over its washes (the latest kShiftWashesMax of them) of duration − baseline median, and of that
  // over the baseline median.
  absl::Duration shift = absl::ZeroDuration();
  double shift_percent = 0;
};

struct CycleDrift {
  DriftState state = DriftState::kLearning;
  std::optional<SlowStretch> slower;  // in kSlower
  std::vector<SlowStretch> past;  // ended ones, by time
  absl::Time reset_at = absl::InfinitePast();  // latest recorded maintenance
  absl::Time baseline_from = absl::InfinitePast();  // first and last wash of the baseline, complete or not
  absl::Time baseline_to = absl::InfinitePast();
  int baseline_washes = 0;  // counted so far: of programmes and size classes with kCellWashesMin or more
  std::int64_t scored = 0;
  std::int64_t without_baseline = 0;  // usable, of a programme or size class that has none yet
  std::int64_t skipped = 0;  // not usable
  double sum = 0;  // C⁺ of the chart, and
  double limit = 0;  // what it is held against; 0 while learning
};

// As "slower since 2026-03-01 14:00: by 12.5 s (4.2 %)", in `zone`.
std::string DescribeCycleDrift(const CycleDrift& drift, absl::TimeZone zone);

// The chart of one machine. Baseline of a cell (programme and size class): median m, σ = max(1.4826·median |x
// − m|, quantum/√12, 0.5 % of m), and mean μ and standard deviation s of the baseline's own scores z = (x −
// m)/σ cut to ±3. A wash scores (z − μ)/max(1, s): μ and s make an unreported mixture of vehicle sizes, whose
// large ones all score +3, no drift while the mixture stays. The baseline is frozen until maintenance is
// recorded. Two allowances are made then:
// - where the baseline's own lag-1 autocorrelation exceeds the design's, the limit is raised by the ratio of
//   v (SolveDriftDesign), which keeps exp(2·k·h/v), the leading term of the run length;
// - the reference is raised by h/n, n washes in the baseline. Its mean is off by e of variance v/n, and the
//   mean over e of the false-alarm rate, proportional to exp(−2·(k − e)·h/v), is larger by exp(2·h²/(v·n));
//   h/n takes that back.
//
// Memory: the baseline's durations while learning, later kShiftWashesMax.
class CycleDriftChart {
 public:
  // `design`: as solved; reference in (0, 2], limit in (0, 1000]. `quantum` >= 0, finite: step in which
  // durations are reported. Errors: InvalidArgument.
  static absl::StatusOr<CycleDriftChart> Create(const DriftDesign& design, absl::Duration quantum);

  // In order of finished_at. Errors, without effect: InvalidArgument where the duration of a usable wash is
  // not above 0 and finite, or something later was added before.
  absl::Status Add(const DriftWash& wash);
  // Whatever may have changed the machine's speed. Same order, same error.
  absl::Status RecordMaintenance(absl::Time at);

  CycleDrift Result() const;

 private:
  struct Baseline {
    double median_s = 0;
    double sigma_s = 0;
    double mean_score = 0;
    double score_scale = 1;

    double Score(double seconds) const;
  };
  struct Cell {
    std::optional<Baseline> baseline;
    std::vector<double> seconds;  // until then
    absl::Time first_at;
  };
  struct LearnedWash {
    std::size_t cell;
    double seconds;
  };
  struct Deviation {
    double seconds;
    double ratio;
  };

  CycleDriftChart(const DriftDesign& design, absl::Duration quantum, CusumChart chart)
      : design_(design), quantum_s_(absl::ToDoubleSeconds(quantum)), chart_(chart) {}

  absl::Status Advance(absl::Time at);
  std::size_t CellOf(const DriftWash& wash);
  Baseline Learn(std::vector<double> seconds) const;
  void LearnFrom(const DriftWash& wash, std::size_t cell, double seconds);
  void Freeze();
  double LearnedAutocorrelation() const;
  void ScoreWash(absl::Time finished_at, const Baseline& baseline, double seconds);
  void EndStretch(absl::Time at);
  SlowStretch Measured(const SlowStretch& stretch) const;

  DriftDesign design_;
  double quantum_s_;
  CusumChart chart_;
  bool frozen_ = false;
  absl::Time latest_at_ = absl::InfinitePast();
  absl::flat_hash_map<std::pair<std::string, std::int32_t>, std::size_t> cell_numbers_;
  std::vector<Cell> cells_;
  std::vector<LearnedWash> learned_;  // while not frozen, in order
  // Of the chart's excursion above 0.
  absl::Time excursion_from_;
  absl::Time excursion_to_;
  absl::Duration excursion_span_;  // pauses cut
  std::deque<Deviation> deviations_;
  std::size_t below_limit_ = 0;  // of them, the latest ones since the sum was last above the limit
  CycleDrift result_;
};

}  // namespace bayward
