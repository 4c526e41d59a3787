#include "server/api/record_rows.h"

#include <algorithm>
#include <string>

#include "bayward/v1/event.pb.h"
#include "google/protobuf/util/json_util.h"
#include "proto/common/fault_traits.h"
#include "server/api/event_words.h"

namespace bayward {
namespace {

std::string NameOf(const EpochNameMap& epochs, EpochId epoch) {
  const auto name = epochs.find(epoch);
  return name == epochs.end() ? "" : name->second;
}

void SetRaw(const v1::Event& event, v1::RawEventRow& row) {
  if (!event.has_fault_raised()) return;
  row.set_raw_code(event.fault_raised().raw_code());
  row.set_raw_text(event.fault_raised().raw_text());
}

}  // namespace

absl::StatusOr<EpochNameMap> NamesOf(EpochNames& epochs, const std::vector<const Spell*>& spells,
                                     const std::vector<StoredEvent>& events) {
  std::vector<EpochId> ids;
  for (const Spell* spell : spells) ids.push_back(spell->provenance.first.epoch);
  for (const StoredEvent& event : events) ids.push_back(event.ref.epoch);
  std::sort(ids.begin(), ids.end());
  ids.erase(std::unique(ids.begin(), ids.end()), ids.end());
  return epochs.Find(ids);
}

v1::RawEventRow MakeRawEventRow(const StoredEvent& event, const EpochNameMap& epochs) {
  v1::RawEventRow row;
  row.set_effective_us(absl::ToUnixMicros(event.effective_at));
  row.set_occurred_us(absl::ToUnixMicros(event.occurred_at));
  row.set_received_us(absl::ToUnixMicros(event.received_at));
  row.set_epoch(NameOf(epochs, event.ref.epoch));
  row.set_sequence(event.ref.sequence);
  row.set_kind(EventKindWords(event.kind));
  v1::Event said;
  std::string json;
  if (!said.ParseFromString(event.payload) || !google::protobuf::util::MessageToJsonString(said, &json).ok()) {
    row.set_words("cannot be read");
    return row;
  }
  row.set_words(EventWords(said));
  row.set_clock(ClockWords(said.clock()));
  row.set_json(json);
  SetRaw(said, row);
  return row;
}

v1::SpellRow MakeSpellRow(const Spell& spell, bool first_out, const EpochNameMap& epochs) {
  v1::SpellRow row;
  row.set_name(FaultClassName(spell.fault_class));
  row.set_fault_class(static_cast<v1::FaultClass>(spell.fault_class));
  row.set_effect(EffectWords(spell.effect));
  row.set_origin(OriginWords(spell.origin));
  row.set_raised_us(MicrosOrZero(spell.raised_at));
  row.set_cleared_us(MicrosOrZero(spell.cleared_at));
  row.set_ended(SpellEndWords(spell.end));
  row.set_began_unobserved(spell.began_unobserved);
  row.set_further_raises(spell.further_raises);
  row.set_raw_code(spell.raw_code);
  row.set_raw_text(spell.raw_text);
  row.set_epoch(NameOf(epochs, spell.provenance.first.epoch));
  row.set_first_sequence(spell.provenance.first.sequence);
  row.set_last_sequence(spell.provenance.last.sequence);
  row.set_first_out(first_out);
  return row;
}

}  // namespace bayward
