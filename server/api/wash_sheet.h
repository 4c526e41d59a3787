// The evidence sheet of a wash as text that is the same however often it is asked for. Pure: any thread may call.
#pragma once

#include <string>

#include "bayward/v1/record.pb.h"

namespace bayward {

// The sheet's facts, a line each, in a fixed order: names in front, times in UTC, "-" for what is not known. When it
// was asked for, holds and notes are no facts of the wash and not in it. What an answer to the same question adds
// later (faults in the day after, events delivered late) changes it.
std::string CanonicalText(const v1::GetWashRecordResponse& sheet);

}  // namespace bayward
