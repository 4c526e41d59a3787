// Reads events in protobuf JSON. Like google::protobuf::util::JsonStringToMessage, but it keeps the resolved
// types between calls: resolving the fault classes anew for each event took ten times as long as all the
// rest. Used by one thread.
#pragma once

#include <memory>
#include <string>

#include "absl/status/status.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

class EventJsonReader {
 public:
  EventJsonReader();
  ~EventJsonReader();
  EventJsonReader(const EventJsonReader&) = delete;
  EventJsonReader& operator=(const EventJsonReader&) = delete;

  // Field names in either case; an unknown field or enum name is an InvalidArgument.
  absl::Status Read(const std::string& json, v1::Event& event);

 private:
  class TypeCache;
  std::unique_ptr<TypeCache> types_;
};

}  // namespace bayward
