// Answers as protobuf JSON. Pure: any thread may call.
#pragma once

#include <string>

#include "google/protobuf/message.h"

namespace bayward::cli {

// Indented; fields without presence are always there. Ends with a line feed.
std::string JsonText(const google::protobuf::Message& message);

}  // namespace bayward::cli
