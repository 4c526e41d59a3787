#include <algorithm>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/live_rows.h"
#include "server/api/present_question.h"
#include "server/api/region_demand.h"
#include "server/figures/silent_hours.h"
#include "server/figures/silent_stop.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

// Over which up hours a week are counted.
constexpr absl::Duration kWeeksCounted = absl::Hours(24 * 28);

// A machine that is up now, with what its spell points into.
struct Silence {
  std::string machine;
  absl::Time last_start;
  std::vector<GammaRate> cells;
  std::vector<SilentHour> hours;
  WashValue value;
};

class SilenceAnswer {
 public:
  explicit SilenceAnswer(const FiguresQuestion& question) : question_(question) {}

  absl::Status AddRegion(const RegionHistory& history) {
    never_wash_ += history.asked_that_never_wash;
    if (history.asked_that_wash == 0) return absl::OkStatus();
    const DemandOptions options{.as_of_day = Today(history)};
    const absl::StatusOr<DemandModel> model = FitDemand(TaughtRows(history), options);
    if (absl::IsInvalidArgument(model.status())) {
      const auto why = model.status().message();
      response_.add_notes(fmt::format("Demand of region {} is not known: {}", history.region,
                                      std::string_view(why.data(), why.size())));
      return absl::OkStatus();
    }
    if (!model.ok()) return model.status();
    for (std::size_t s = 0; s < history.sites.size(); ++s) {
      if (!history.sites[s].asked) continue;
      // Of all hours of the others, whenever they last washed: else a day on which few did would look like any other.
      BAYWARD_ASSIGN_OR_RETURN(const DayFactors factors, SameDayFactors(*model, history.demand, s, options));
      for (const std::size_t i : history.sites[s].machines) AddMachine(history, i, *model, factors);
    }
    return absl::OkStatus();
  }

  absl::StatusOr<v1::ListSilentStopsResponse> Finish(const ReportFacts& facts) {
    BAYWARD_RETURN_IF_ERROR(AddRows());
    response_.set_watched(static_cast<std::uint32_t>(silences_.size()));
    response_.set_machine_hours_per_week(hours_per_week_);
    response_.set_as_of_us(absl::ToUnixMicros(question_.now));
    AddNotes(facts);
    return std::move(response_);
  }

 private:
  // At the site where it is earliest.
  int Today(const RegionHistory& history) const {
    int day = DayNumber(DayAt(history.sites.front().site->calendar, question_.now));
    for (const RegionSite& site : history.sites) {
      day = std::min(day, DayNumber(DayAt(site.site->calendar, question_.now)));
    }
    return day;
  }

  static std::vector<DemandMachine> TaughtRows(const RegionHistory& history) {
    std::vector<DemandMachine> taught(history.demand.size());
    for (std::size_t i = 0; i < taught.size(); ++i) {
      const RegionMachine& machine = history.machines[i];
      taught[i] = {
          .site = history.demand[i].site,
          .hours = RowsUntilLastSold(history.demand[i].hours, machine.watch, history.sites[machine.site].hours)};
    }
    return taught;
  }

  void AddMachine(const RegionHistory& history, std::size_t i, const DemandModel& model, const DayFactors& factors) {
    const RegionMachine& machine = history.machines[i];
    const RegionSite& site = history.sites[machine.site];
    if (!machine.asked) return;
    if (machine.watch.starts.empty()) {
      ++never_sold_;
      return;
    }
    hours_per_week_ += UpHoursPerWeek(machine.watch, question_.windows.hull);
    if (!UpAtEnd(machine.watch, question_.now)) return;
    const auto& cells = model.machines[i].cells;
    const MachineId id = machine.machine->id;
    silences_[id] = {.machine = machine.machine->full_name,
                     .last_start = LastSoldStart(machine.watch),
                     .cells = {cells.begin(), cells.end()},
                     .hours = SilentHoursOf(machine.watch, site.hours, factors),
                     .value = site.ValueBefore(LastSoldStart(machine.watch))};
  }

  absl::Status AddRows() {
    if (silences_.empty()) return absl::OkStatus();
    std::vector<SilentSpell> spells;
    for (const auto& [id, silence] : silences_) {
      spells.push_back({id, silence.cells, silence.hours, silence.value.price.value_or(0)});
    }
    BAYWARD_ASSIGN_OR_RETURN(const std::vector<SilentStop> stops, bayward::ListSilentStops(spells, hours_per_week_));
    for (const SilentStop& stop : stops) {
      const Silence& silence = silences_.at(stop.machine);
      v1::SilentStopRow& row = *response_.add_rows();
      row.set_machine(silence.machine);
      row.set_last_wash_us(MicrosOrZero(silence.last_start));
      row.set_silent_hours(stop.hours);
      row.set_probability(stop.probability);
      row.set_chance_per_week(stop.chance_per_week);
      row.set_expected_washes(stop.expected_washes);
      if (!silence.value.price) continue;
      row.set_expected_money(stop.expected_money);
      row.set_currency(std::string(silence.value.currency));
    }
    return absl::OkStatus();
  }

  void AddNotes(const ReportFacts& facts) {
    response_.add_notes(
        "Silent: up hours since the start of the last wash sold, staff washes and tests not counted, for which "
        "demand at that hour of the week and on such days in the region would hardly ever bring none. Of all "
        "machines watched here together, chance alone brings less than one such silence a week.");
    response_.add_notes(
        "What empties one site alone, a road closed or a fair elsewhere, is not known: ask before sending somebody. "
        "Money is the washes expected since at the site's mean price, and no forecast.");
    if (never_sold_ > 0) {
      response_.add_notes(
          fmt::format("{} sold no wash in 26 weeks: what would be usual is not known.", Machines(never_sold_)));
    }
    if (never_wash_ > 0) {
      response_.add_notes(fmt::format("{} of a kind that never washes: left out.", Machines(never_wash_)));
    }
    GroupAccount asked{.group = "total", .machines = static_cast<std::uint32_t>(question_.selection.machines.size())};
    for (std::string& note : CommonNotes(asked, facts)) response_.add_notes(std::move(note));
  }

  static std::string Machines(std::uint32_t count) {
    return fmt::format("{} {}", count, count == 1 ? "machine" : "machines");
  }

  const FiguresQuestion& question_;
  std::map<MachineId, Silence> silences_;
  double hours_per_week_ = 0;
  std::uint32_t never_sold_ = 0;
  std::uint32_t never_wash_ = 0;
  v1::ListSilentStopsResponse response_;
};

}  // namespace

absl::StatusOr<v1::ListSilentStopsResponse> FiguresHandlers::ListSilentStops(
    const Caller&, const v1::ListSilentStopsRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskAboutNow(sources_, request.scope(), kWeeksCounted));
  SilenceAnswer answer(question);
  for (const std::string& region : RegionsOf(question)) {
    BAYWARD_ASSIGN_OR_RETURN(const RegionHistory history,
                             ReadRegion(sources_, question, region, question.now - kDemandReach));
    BAYWARD_RETURN_IF_ERROR(answer.AddRegion(history));
  }
  return answer.Finish(FactsOf(question, sources_));
}

}  // namespace bayward
