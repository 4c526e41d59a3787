// Which release of the time zone database this host has. Thread-safe.
#pragma once

#include <string>

namespace bayward {

// The directory that time zones are read from: $TZDIR, else the system's.
std::string ZoneDirectory();

// "2025b", from the zone directory's tzdata.zi or +VERSION; "unknown" where it has neither.
std::string TzdataVersion(const std::string& directory = ZoneDirectory());

}  // namespace bayward
