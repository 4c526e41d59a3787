// Which of people's decisions about unknown time holds at which instant. Pure; private to the timeline.
#pragma once

#include <vector>

#include "server/model/history.h"
#include "server/timeline/condition.h"

namespace bayward {

// For each instant that any settlement is about, the latest recorded one (of two recorded at once, the later
// in the list): disjoint, ascending.
std::vector<Settlement> EffectiveSettlements(const std::vector<Settlement>& settlements);

// `spans` with their unknown time settled where `effective` says so. Both ascending and disjoint.
std::vector<ConditionSpan> Settle(const std::vector<ConditionSpan>& spans,
                                  const std::vector<Settlement>& effective);

}  // namespace bayward
