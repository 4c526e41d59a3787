#include "server/api/record_handlers.h"

#include "server/api/add_methods.h"

namespace bayward {

absl::Status AddRecordMethods(const RecordHandlers& handlers, MethodTable& methods) {
  return Adder("bayward.v1.Records", handlers, methods)
      .Add("GetOutage", &RecordHandlers::GetOutage)
      .Add("GetWashRecord", &RecordHandlers::GetWashRecord)
      .Add("HoldRecord", &RecordHandlers::HoldRecord)
      .Add("ListHolds", &RecordHandlers::ListHolds)
      .Add("SettleUnknown", &RecordHandlers::SettleUnknown)
      .status();
}

}  // namespace bayward
