#include "tests/property/harness.h"

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <iostream>
#include <sstream>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/time/time.h"
#include "gtest/gtest.h"

namespace bayward::naive {
namespace {

constexpr std::uint64_t kSeed = 20260329;

// What is left for one property when all of this program's share the time.
absl::Duration CampaignTime() {
  int seconds = 0;
  const char* text = std::getenv("BAYWARD_CAMPAIGN_SECONDS");
  if (text && !absl::SimpleAtoi(text, &seconds))
    ADD_FAILURE() << "BAYWARD_CAMPAIGN_SECONDS: expected whole seconds, found \"" << text << '"';
  return absl::Seconds(seconds) / testing::UnitTest::GetInstance()->test_to_run_count();
}

bool RunOnce(const std::function<void()>& property, const rc::detail::TestParams& params) {
  const auto* info = testing::UnitTest::GetInstance()->current_test_info();
  rc::detail::TestMetadata metadata;
  metadata.id = absl::StrCat(info->test_suite_name(), "/", info->name());
  metadata.description = info->name();
  const rc::detail::TestResult result = rc::detail::checkTestable(property, metadata, params);
  if (result.is<rc::detail::SuccessResult>()) return true;
  std::ostringstream text;
  rc::detail::printResultMessage(result, text);
  ADD_FAILURE() << "seed " << params.seed << "\n" << text.str();
  return false;
}

template <class T, class Key>
void SortBy(std::vector<T>& rows, Key key) {
  std::stable_sort(rows.begin(), rows.end(), [key](const T& a, const T& b) { return key(a) < key(b); });
}

}  // namespace

void CheckProperty(int cases, const std::function<void()>& property) {
  static const bool seeded_by_caller = std::getenv("RC_PARAMS") != nullptr;
  setenv("RC_PARAMS", absl::StrCat("seed=", kSeed).c_str(), 0);  // read once, when rapidcheck first needs it
  rc::detail::TestParams params = rc::detail::configuration().testParams;
  if (!seeded_by_caller) params.maxSuccess = cases;
  std::cout << "seed " << params.seed << ", " << params.maxSuccess << " cases" << std::endl;
  if (!RunOnce(property, params)) return;
  const auto end = std::chrono::steady_clock::now() + absl::ToChronoNanoseconds(CampaignTime());
  long rounds = 0;
  while (std::chrono::steady_clock::now() < end) {
    ++params.seed;
    ++rounds;
    if (!RunOnce(property, params)) break;
  }
  if (rounds > 0) std::cout << rounds << " further seeds, the last " << params.seed << std::endl;
}

void FoldNext(const Script& script, std::size_t next, Folded& folded) {
  for (const HandOver& hand_over : script.hand_overs) {
    if (hand_over.event != next) continue;
    EndAssignment(hand_over.at, folded.state, folded.out);
    folded.state = MachineState();
  }
  if (next == script.events.size()) return;
  const ScriptEvent& entry = script.events[next];
  Fold(entry.event, entry.observed_until, folded.state, folded.out);
}

Folded FoldScript(const Script& script) {
  Folded folded;
  for (std::size_t i = 0; i <= script.events.size(); ++i) FoldNext(script, i, folded);
  return folded;
}

Folded FoldInBatches(const Script& script, const std::vector<int>& sizes) {
  Folded folded;
  std::size_t next = 0;
  for (std::size_t batch = 0; next <= script.events.size(); ++batch) {
    const std::size_t left = script.events.size() + 1 - next;
    const std::size_t size =
        batch < sizes.size() ? std::min(left, static_cast<std::size_t>(sizes[batch])) : left;
    Folded tried;
    for (int attempt = 0; attempt < 2; ++attempt) {
      tried = {FoldOutput(), folded.state};
      for (std::size_t i = next; i < next + size; ++i) FoldNext(script, i, tried);
    }
    folded.state = tried.state;
    const auto append = [](auto& to, const auto& from) { to.insert(to.end(), from.begin(), from.end()); };
    append(folded.out.spells, tried.out.spells);
    append(folded.out.modes, tried.out.modes);
    append(folded.out.observed, tried.out.observed);
    append(folded.out.voided, tried.out.voided);
    append(folded.out.cycles, tried.out.cycles);
    next += size;
  }
  return folded;
}

MachineHistory HistoryOf(const Folded& folded, const Script& script) {
  MachineHistory history;
  history.machine = MachineId{1};
  history.spells = folded.out.spells;
  history.modes = folded.out.modes;
  history.observed = folded.out.observed;
  history.voided = folded.out.voided;
  history.cycles = folded.out.cycles;
  AppendOpen(folded.state, history);
  SortBy(history.spells, [](const Spell& s) { return s.raised_at; });
  SortBy(history.modes, [](const ModeSpan& m) { return m.from; });
  SortBy(history.observed, [](const ObservedSpan& o) { return o.from; });
  SortBy(history.voided, [](const Interval& i) { return i.start; });
  SortBy(history.cycles, [](const Cycle& c) { return c.finished_at; });
  history.observed_until = script.observed_until;
  history.delivery_expected = script.delivery_expected;
  history.settlements = script.settlements;
  return history;
}

MachineHistory HistoryOf(const Script& script) { return HistoryOf(FoldScript(script), script); }

std::string Describe(const FoldOutput& out) {
  std::string text;
  const auto at = [](absl::Time t) { return absl::FormatTime(t, absl::UTCTimeZone()); };
  const auto from = [](const Provenance& p) {
    return absl::StrCat(" from #", p.first.epoch.value, ".", p.first.sequence, " to #", p.last.epoch.value,
                        ".", p.last.sequence);
  };
  for (const Spell& s : out.spells) {
    absl::StrAppend(&text, "spell ", s.fault_class, " ", at(s.raised_at), " ", at(s.cleared_at), " end ",
                    static_cast<int>(s.end), " unobserved ", s.began_unobserved, " effect ",
                    static_cast<int>(s.effect), " origin ", static_cast<int>(s.origin), " raises ",
                    s.further_raises, from(s.provenance), "\n");
  }
  for (const ModeSpan& m : out.modes)
    absl::StrAppend(&text, "mode ", static_cast<int>(m.mode), " ", at(m.from), " ", at(m.to),
                    from(m.provenance), "\n");
  for (const ObservedSpan& o : out.observed)
    absl::StrAppend(&text, "observed ", at(o.from), " ", at(o.to), from(o.provenance), "\n");
  for (const Interval& v : out.voided) absl::StrAppend(&text, "voided ", at(v.start), " ", at(v.end), "\n");
  for (const Cycle& c : out.cycles) {
    absl::StrAppend(&text, "cycle ", c.cycle, " ", at(c.started_at), " ", at(c.finished_at), " ",
                    static_cast<int>(c.outcome), from(c.provenance), "\n");
  }
  return text;
}

Interval ExtentOf(const Grid& grid) { return {grid.start, grid.TimeOf(grid.ticks)}; }

}  // namespace bayward::naive
