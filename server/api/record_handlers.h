// Answers the Records service: one outage and one wash down to their raw events, holds, decisions about unknown time.
// Handlers are const and may run on several threads at once; each takes one fleet and one instant as now.
#pragma once

#include <functional>
#include <memory>
#include <utility>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "bayward/v1/record.pb.h"
#include "proto/common/clock.h"
#include "server/api/caller.h"
#include "server/api/method_table.h"
#include "server/model/fleet.h"
#include "server/store/epoch_names.h"
#include "server/store/event_store.h"
#include "server/store/history_store.h"
#include "server/store/hold_store.h"
#include "server/store/settlement_store.h"

namespace bayward {

// All outlive the handlers.
struct RecordSources {
  HistoryStore& histories;
  EpochNames& epochs;
  EventStore& events;
  HoldStore& holds;
  SettlementStore& settlements;
  std::function<std::shared_ptr<const Fleet>()> fleet;
  const Clock& clock;
};

// Raw events in one answer.
inline constexpr std::size_t kRawEventsMax = 2'000;

class RecordHandlers {
 public:
  explicit RecordHandlers(RecordSources sources) : sources_(std::move(sources)) {}

  // Errors of all: NotFound for a machine there is not; InvalidArgument for an instant or text that cannot be, or one
  // in the future; the stores'.

  // NotFound where the machine had no outage up to then.
  absl::StatusOr<v1::GetOutageResponse> GetOutage(const Caller& caller, const v1::GetOutageRequest& request) const;
  // NotFound where no wash is known up to then.
  absl::StatusOr<v1::GetWashRecordResponse> GetWashRecord(const Caller& caller,
                                                          const v1::GetWashRecordRequest& request) const;

  // FailedPrecondition for a hold that was released before.
  absl::StatusOr<v1::HoldRecordResponse> HoldRecord(const Caller& caller, const v1::HoldRecordRequest& request) const;
  // Newest first, released ones included.
  absl::StatusOr<v1::ListHoldsResponse> ListHolds(const Caller& caller, const v1::ListHoldsRequest& request) const;

  // FailedPrecondition where none of it is unknown.
  absl::StatusOr<v1::SettleUnknownResponse> SettleUnknown(const Caller& caller,
                                                          const v1::SettleUnknownRequest& request) const;

 private:
  RecordSources sources_;
};

// `handlers` outlives `methods`.
absl::Status AddRecordMethods(const RecordHandlers& handlers, MethodTable& methods);

}  // namespace bayward
