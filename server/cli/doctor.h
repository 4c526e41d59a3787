// What a diagnosis says, for people and as a file for whoever helps. Pure but for WriteNewFile; any thread
// may call.
#pragma once

#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "bayward/v1/fleet.pb.h"

namespace bayward::cli {

// Whether every check is good.
bool IsAllGood(const v1::DiagnoseResponse& diagnosis);

struct BundleParts {
  std::string made_at;  // RFC 3339
  std::string server;
  v1::DiagnoseResponse diagnosis;
  v1::GetLiveResponse live;
  v1::ListRejectedEventsResponse rejected;
  v1::ListParkedEventsResponse parked;
};

// One JSON object. Event payloads are left out, and whatever looks like a password, a token or a URL's user
// part is masked in every text, though the server masks secrets itself.
std::string MakeBundle(BundleParts parts);

// `text` with what looks like a secret replaced by "***": the user part of a URL, and the value after
// password=, passwd=, secret=, token= or key= (with or without blanks, or ":" for "=").
std::string MaskSecrets(std::string_view text);

// For its owner only. AlreadyExists where there is such a file; Internal where it cannot be written.
absl::Status WriteNewFile(const std::string& path, std::string_view text);

}  // namespace bayward::cli
