// Says in words what an event says. Pure: any thread may call.
#pragma once

#include <string>

#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"
#include "server/model/history.h"

namespace bayward {

// "fault raised"; "kind 99" for one this build does not know.
std::string EventKindWords(int kind);

// "fault raised: air_supply.pressure_low, blocking". Everything the event says but its raw code and text and its
// times.
std::string EventWords(const v1::Event& event);

// "synced", "not synced", "simulated", "not told".
std::string ClockWords(v1::ClockState clock);

// Values as in bayward.v1; "" for an unspecified one.
std::string EffectWords(Effect effect);
std::string OriginWords(Origin origin);
std::string OutcomeWords(CycleOutcome outcome);
std::string SoldAsWords(int sold_as);
std::string PaidByWords(int paid_by);
std::string PresenceWords(int presence);
std::string LossWords(int loss_reason);
std::string SpellEndWords(SpellEnd end);

// "2026-08-01T12:00:00Z", with its fraction of a second where there is one.
std::string UtcText(absl::Time at);

}  // namespace bayward
