// Spells and raw events as rows of an answer. Pure: any thread may call.
#pragma once

#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "bayward/v1/record.pb.h"
#include "server/api/micros.h"
#include "server/model/history.h"
#include "server/store/epoch_names.h"
#include "server/store/event_store.h"

namespace bayward {

using EpochNameMap = absl::flat_hash_map<EpochId, std::string>;

// The agents' own names of all epochs that the spells and events are of.
absl::StatusOr<EpochNameMap> NamesOf(EpochNames& epochs, const std::vector<const Spell*>& spells,
                                     const std::vector<StoredEvent>& events);

v1::RawEventRow MakeRawEventRow(const StoredEvent& event, const EpochNameMap& epochs);
v1::SpellRow MakeSpellRow(const Spell& spell, bool first_out, const EpochNameMap& epochs);

}  // namespace bayward
