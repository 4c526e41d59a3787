// The sections of a report one by one, for compose.cc. Pure: any thread may call.
#pragma once

#include <set>
#include <string>

#include "absl/status/statusor.h"
#include "google/protobuf/repeated_field.h"
#include "server/cli/format.h"
#include "server/cli/report/document.h"
#include "server/cli/report/report.h"

namespace bayward::cli::report {

struct Setting {
  const Report& report;
  TimeText time;
  bool over = false;                   // the period, at every site
  std::set<std::string> common_notes;  // said once at the front, so left out further down
};

Section AvailabilitySection(const Setting& setting);
Section SeriesSection(const Setting& setting);
Section UnknownSection(const Setting& setting);
Section ClosuresSection(const Setting& setting);
Section MachinesSection(const Setting& setting);
Section ReliabilitySection(const Setting& setting);
Section TrendsSection(const Setting& setting);
Section FaultsSection(const Setting& setting);
Section RestorationSection(const Setting& setting);
Section RepeatsSection(const Setting& setting);
Section LossesSection(const Setting& setting);
Section ServiceSection(const Setting& setting);
Section WatchSection(const Setting& setting);
Section ForecastSection(const Setting& setting);
Section AlarmsSection(const Setting& setting);

// "kept", "missed", "open" where unknown time decides, "not known"; a period that is not over adds "so far". Empty
// without a target.
std::string TargetVerdict(const v1::AvailabilityRow& row, bool over);
double UnknownHours(const v1::AvailabilityRow& row);

using ProtoNotes = google::protobuf::RepeatedPtrField<std::string>;
// Those not said at the front already; nothing where none is left.
void AddNotes(const Setting& setting, const ProtoNotes& notes, Section& section);
void AddWords(std::string words, Section& section);
void AddGap(std::string_view what, const absl::Status& why, Section& section);

// Where an answer is missing, says so in the section and is false.
template <class Response>
bool Had(const absl::StatusOr<Response>& answer, std::string_view what, Section& section) {
  if (!answer.ok()) AddGap(what, answer.status(), section);
  return answer.ok();
}

}  // namespace bayward::cli::report
