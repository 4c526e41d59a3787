// What the property tests share: running one property with a fixed seed or as a long campaign, folding a
// script with the code under test, and comparing what it says with the model. Single-threaded.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "server/figures/availability.h"
#include "server/figures/ranking.h"
#include "server/timeline/fold.h"
#include "tests/property/naive_model.h"
#include "tests/property/scenario.h"

namespace bayward::naive {

// Runs `property` on `cases` random inputs and fails the current test with the smallest counterexample found.
// The seed is fixed (RC_PARAMS overrides it) and printed. With BAYWARD_CAMPAIGN_SECONDS all properties of a
// program together go on with further seeds for that long.
void CheckProperty(int cases, const std::function<void()>& property);

struct Folded {
  std::vector<FoldOutput> out{FoldOutput()};  // of each assignment in turn
  std::vector<EventRef> first_snapshots;  // of those that have ended
  MachineState state;
};
// Takes the script's `next` event, and what comes before it; the place after the last event is one, too.
void FoldNext(const Script& script, std::size_t next, Folded& folded);
Folded FoldScript(const Script& script);
// The same in batches of these sizes (the rest in one). Each batch works on a copy of the state and is folded
// twice, as after a transaction that had to be tried again.
Folded FoldInBatches(const Script& script, const std::vector<int>& sizes);
// The history that folding gives, its lists sorted as the history's contract asks.
MachineHistory HistoryOf(const Folded& folded, const Script& script);
MachineHistory HistoryOf(const Script& script);

std::string Describe(const Folded& folded);

// Each returns what differs, one line each; empty where nothing does.
std::string CompareOpening(const Calendar& calendar, const Grid& grid);
std::string CompareConditions(const Model& model, const MachineTimeline& timeline);
std::string CompareOutages(const Model& model, const MachineTimeline& timeline);
std::string CompareAccount(const Model& model, const MachineTimeline& timeline, int from, int to);
std::string CompareRanking(const Model& model, const MachineTimeline& timeline, int from, int to);

// A time account by the names the model uses, in minutes; zero entries left out.
Sums SumsOf(const TimeAccount& account);

Interval ExtentOf(const Grid& grid);

}  // namespace bayward::naive
