// Fills a database with the history of the machines declared in it, as the server itself would have stored it had their
// agents delivered it: for benchmarks of figures. Prints what it stored as one JSON object. Event rows are left out: no
// figure reads them.
//
//   bayward-fill --database URL --days N --washes-a-day N --outages N
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <random>
#include <span>
#include <string>
#include <vector>

#include "CLI/CLI.hpp"
#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/store/cycle_runs.h"
#include "server/store/ingest_store.h"
#include "server/store/upkeep.h"
#include "server/timeline/fold.h"

namespace bayward {
namespace {

struct FillOptions {
  std::string database;
  int days = 90;
  double washes_a_day = 11;
  double outages = 30;  // of a machine, on the average
};

struct Watched {
  std::int32_t assignment = 0;
  MachineId machine;
  AgentId agent;
  SiteId site;
};

struct Stored {
  long machines = 0;
  long events = 0;
  long spells = 0;
  long cycles = 0;
};

// Numbers of bayward.v1.FaultClass.
constexpr int kStopping[] = {206, 203, 302, 200, 300, 301, 202, 201, 303, 204, 401, 500};
constexpr int kWearing[] = {408, 503, 600, 805, 208, 404};
constexpr int kOpensAtHour = 6;
constexpr int kHoursOpen = 16;
constexpr std::size_t kMachinesACommit = 20;

// What happens at one machine, told in order: washes by day, faults that stop them, others that do not.
class MachineLife {
 public:
  MachineLife(const Watched& watched, EpochId epoch, const FillOptions& options, absl::Time start, absl::Time end)
      : epoch_(epoch), options_(options), start_(start), end_(end),
        random_(static_cast<unsigned>(watched.machine.value)) {
    Add(start_, ObservationStartedFact());
    Add(start_, SnapshotFact());
    // Machines differ in how often they fail, and few faults bring most outages.
    const double own = std::gamma_distribution<double>(4, 0.25)(random_);
    AddFaults(std::poisson_distribution<int>(options_.outages * own)(random_), Effect::kBlocking);
    AddFaults(std::poisson_distribution<int>(options_.outages * 0.3)(random_), Effect::kDegrading);
    AddWashes();
    std::stable_sort(events_.begin(), events_.end(), [](const MachineEvent& a, const MachineEvent& b) {
      return a.effective_at < b.effective_at;
    });
    std::uint64_t sequence = 0;
    for (MachineEvent& event : events_) {
      event.ref = {epoch_, ++sequence};
      event.recorded_at = event.effective_at + absl::Milliseconds(300);
      event.received_at = event.effective_at + absl::Seconds(2);
    }
  }

  const std::vector<MachineEvent>& events() const { return events_; }

 private:
  void Add(absl::Time at, decltype(MachineEvent::what) what) {
    MachineEvent event;
    event.effective_at = at;
    event.what = std::move(what);
    events_.push_back(std::move(event));
  }

  absl::Time SomeOpenTime() {
    const int day = std::uniform_int_distribution<int>(0, options_.days - 1)(random_);
    const double hour = std::uniform_real_distribution<double>(0, kHoursOpen)(random_);
    return start_ + absl::Hours(24 * day + kOpensAtHour) + absl::Seconds(std::floor(hour * 3600)) +
           absl::Microseconds(std::uniform_int_distribution<int>(0, 999'999)(random_));
  }

  void AddFaults(int count, Effect effect) {
    for (int i = 0; i < count; ++i) {
      const absl::Time raised = SomeOpenTime();
      const double minutes = std::lognormal_distribution<double>(3.8, 1.0)(random_);
      const absl::Time cleared = std::min(raised + absl::Seconds(std::floor(minutes * 60) + 20), end_);
      const double skewed = std::pow(std::uniform_real_distribution<double>(0, 1)(random_), 2);
      FaultFact fault;
      const std::span<const int> classes = effect == Effect::kBlocking ? std::span<const int>(kStopping) : kWearing;
      fault.fault_class = classes[static_cast<std::size_t>(skewed * static_cast<double>(classes.size()))];
      fault.effect = effect;
      fault.raw_code = fmt::format("E{:03}", fault.fault_class);
      fault.raw_text = "invented text of a fault";
      Add(raised, FaultRaisedFact{fault});
      Add(cleared, FaultClearedFact{fault.fault_class, 0});
      if (effect == Effect::kBlocking) stops_.push_back({raised, cleared});
    }
  }

  void AddWashes() {
    const IntervalSet stopped(stops_);
    int cycles = 0;
    for (int day = 0; day < options_.days; ++day) {
      absl::Time at = start_ + absl::Hours(24 * day + kOpensAtHour);
      const absl::Time closes = at + absl::Hours(kHoursOpen);
      const double mean_gap = kHoursOpen * 3600.0 / options_.washes_a_day;
      while (true) {
        const double took = std::uniform_real_distribution<double>(240, 420)(random_);
        const double gap = std::exponential_distribution<double>(1 / std::max(mean_gap - 330, 30.0))(random_);
        const absl::Time begins = at + absl::Microseconds(std::floor(gap * 1e6));
        const absl::Time ends = begins + absl::Microseconds(std::floor(took * 1e6));
        if (ends >= closes || ends >= end_) break;
        at = ends;
        if (stopped.contains(begins)) continue;
        CycleStartedFact started;
        started.cycle = fmt::format("c{}", ++cycles);
        started.programme = std::to_string(1 + cycles % 5);
        CycleFinishedFact finished;
        finished.cycle.cycle = started.cycle;
        const IntervalSet meets = stopped.Intersect(Interval{begins, ends});
        if (!meets.empty()) {
          finished.cycle.outcome = CycleOutcome::kAborted;
          at = meets.intervals().front().start;
        }
        Add(begins, started);
        Add(at, finished);
      }
    }
  }

  const EpochId epoch_;
  const FillOptions& options_;
  const absl::Time start_;
  const absl::Time end_;
  std::mt19937 random_;
  std::vector<Interval> stops_;
  std::vector<MachineEvent> events_;
};

OpenMachine FoldLife(const Watched& watched, const MachineLife& life, GroupRows& rows, Stored& stored) {
  OpenMachine machine;
  machine.assignment = watched.assignment;
  machine.machine = watched.machine;
  machine.agent = watched.agent;
  machine.site = watched.site;
  for (const MachineEvent& event : life.events()) {
    FoldOutput out;
    Fold(event, event.recorded_at, machine.state, out);
    const bool of_cycle = std::holds_alternative<CycleStartedFact>(event.what) ||
                          std::holds_alternative<CycleFinishedFact>(event.what);
    if (!of_cycle) machine.runs_go_on = false;
    for (const Cycle& cycle : out.cycles) {
      AddCycle(cycle, machine.runs_go_on, machine.runs);
      machine.runs_go_on = of_cycle;
    }
    machine.first_event_at = std::min(machine.first_event_at, event.effective_at);
    rows.Closed(machine, out);
    rows.FullRuns(machine);
    stored.spells += static_cast<long>(out.spells.size());
    stored.cycles += static_cast<long>(out.cycles.size());
  }
  stored.events += static_cast<long>(life.events().size());
  ++stored.machines;
  return machine;
}

absl::StatusOr<std::vector<Watched>> WatchedMachines(Database& database) {
  std::vector<Watched> all;
  BAYWARD_RETURN_IF_ERROR(database.Read("list assignments", [&](pqxx::transaction_base& tx) {
    for (const auto& row : tx.exec("SELECT assignment_id, machine_id, agent_id, site_id FROM assignment "
                                   "WHERE superseded_at = 'infinity' ORDER BY machine_id")) {
      all.push_back({row[0].as<int>(), {row[1].as<int>()}, {row[2].as<int>()}, {row[3].as<int>()}});
    }
    return absl::OkStatus();
  }));
  return all;
}

absl::Status FillSome(Connection& connection, std::span<const Watched> machines, const FillOptions& options,
                      absl::Time start, absl::Time end, Stored& stored) {
  BAYWARD_ASSIGN_OR_RETURN(const auto transaction, IngestTransaction::Begin(connection));
  std::vector<AgentProgress> agents;
  for (const Watched& watched : machines) {
    if (!agents.empty() && agents.back().agent == watched.agent) continue;
    AgentProgress& agent = agents.emplace_back();
    agent.agent = watched.agent;
    agent.site = watched.site;
  }
  BAYWARD_ASSIGN_OR_RETURN(agents, transaction->Lock(agents));
  for (AgentProgress& agent : agents) {
    if (!agent.epoch) {
      EpochRecord epoch;
      epoch.epoch = fmt::format("{:016}", agent.agent.value);
      BAYWARD_ASSIGN_OR_RETURN(agent.epoch, transaction->BeginEpoch(agent.agent, epoch));
    }
    agent.observed_until = end;
  }
  GroupRows rows;
  std::vector<OpenMachine> open;
  for (const Watched& watched : machines) {
    const auto agent = std::find_if(agents.begin(), agents.end(),
                                    [&](const AgentProgress& one) { return one.agent == watched.agent; });
    if (agent == agents.end()) return Internal("an agent is locked by somebody else; fill while no agent is connected");
    open.push_back(FoldLife(watched, MachineLife(watched, agent->epoch, options, start, end), rows, stored));
  }
  std::vector<const OpenMachine*> pointers;
  for (const OpenMachine& machine : open) pointers.push_back(&machine);
  BAYWARD_RETURN_IF_ERROR(transaction->Save(pointers));
  BAYWARD_RETURN_IF_ERROR(transaction->Send(rows));
  BAYWARD_RETURN_IF_ERROR(transaction->Save(agents));
  return transaction->Commit();
}

absl::Status Fill(const FillOptions& options, Stored& stored) {
  Database database(options.database);
  const absl::Time end = absl::Now();
  const absl::Time start = absl::FromCivil(absl::ToCivilDay(end, absl::UTCTimeZone()) - options.days, absl::UTCTimeZone());
  for (absl::Time at = start; at < end; at += absl::Hours(240)) BAYWARD_RETURN_IF_ERROR(EnsurePartitions(database, at));
  BAYWARD_ASSIGN_OR_RETURN(const std::vector<Watched> machines, WatchedMachines(database));
  BAYWARD_ASSIGN_OR_RETURN(const auto connection,
                           database.Open({.application_name = "bayward-fill", .statement_timeout = absl::Minutes(5)}));
  for (std::size_t at = 0; at < machines.size(); at += kMachinesACommit) {
    const std::size_t count = std::min(kMachinesACommit, machines.size() - at);
    BAYWARD_RETURN_IF_ERROR(
        FillSome(*connection, std::span(machines).subspan(at, count), options, start, end, stored));
  }
  return absl::OkStatus();
}

int Main(int argc, char** argv) {
  FillOptions options;
  CLI::App app("Fills a database with an invented history of the machines declared in it.");
  app.add_option("--database", options.database)->required();
  app.add_option("--days", options.days);
  app.add_option("--washes-a-day", options.washes_a_day);
  app.add_option("--outages", options.outages);
  CLI11_PARSE(app, argc, argv);
  Stored stored;
  const absl::Status status = Fill(options, stored);
  if (!status.ok()) {
    fmt::print(stderr, "{}\n", Message(status));
    return 1;
  }
  fmt::print("{{\"machines\": {}, \"events\": {}, \"spells\": {}, \"cycles\": {}}}\n", stored.machines, stored.events,
             stored.spells, stored.cycles);
  return 0;
}

}  // namespace
}  // namespace bayward

int main(int argc, char** argv) { return bayward::Main(argc, argv); }
