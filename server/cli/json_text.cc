#include "server/cli/json_text.h"

#include "google/protobuf/util/json_util.h"

namespace bayward::cli {

std::string JsonText(const google::protobuf::Message& message) {
  google::protobuf::util::JsonPrintOptions options;
  options.add_whitespace = true;
  options.always_print_primitive_fields = true;
  std::string text;
  // Fails for malformed Any messages only, which this interface has none of.
  const auto status = google::protobuf::util::MessageToJsonString(message, &text, options);
  return status.ok() ? text : "{}\n";
}

}  // namespace bayward::cli
