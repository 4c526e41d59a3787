// A whole fleet as its declaration files state it, by keys instead of database ids, in one canonical order.
// Plain values: thread-compatible.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "server/model/calendar.h"

namespace bayward {

struct DeclaredZone {
  absl::CivilDay valid_from = absl::CivilDay::min();  // of a site's first zone always min()
  std::string name;                                   // IANA
  bool operator==(const DeclaredZone&) const = default;
};

struct DeclaredClosure {
  absl::CivilSecond from;
  absl::CivilSecond to = absl::CivilSecond::max();  // max(): until further notice
  std::string reason;
  bool approved = false;
  // When it was announced. Unstated in a file: when it was first applied.
  std::optional<absl::Time> recorded_at;
  bool operator==(const DeclaredClosure&) const = default;
};

// Holds from its date until the next row of the same programme.
struct DeclaredPrice {
  std::string programme;
  absl::CivilDay valid_from;
  std::int64_t price_e4 = 0;  // ten-thousandths of the site's currency
  bool operator==(const DeclaredPrice&) const = default;
};

// What a programme needs of the machine that washes it.
struct DeclaredProgramme {
  std::string programme;
  std::vector<std::int32_t> needs;  // bayward.v1.Capability, ascending, at least one
  bool operator==(const DeclaredProgramme&) const = default;
};

// Holds from its date until the next row.
struct DeclaredTarget {
  absl::CivilDay valid_from;
  double availability = 0;  // in [0, 1]
  bool operator==(const DeclaredTarget&) const = default;
};

struct DeclaredMachine {
  std::string key;
  std::string name;
  std::string kind;
  std::string agent;                    // "": nobody watches it (any more)
  std::vector<std::string> depends_on;  // keys of machines of the same site, sorted
  absl::CivilDay in_service_from;
  absl::CivilDay retired_at = absl::CivilDay::max();
  std::string predecessor;  // "site/machine" or ""
  // Since when `agent` watches it. Unstated in a file: since ever for a new machine, otherwise from when it
  // is applied.
  std::optional<absl::Time> assigned_from;
  std::vector<WeekHours> hours;  // its own; empty: its site's
  std::string where;             // "fleet.toml:12"; "" for what comes from the database
};

struct DeclaredSite {
  std::string key;
  std::string name;
  std::string region;
  std::string currency;
  double latitude = 0;
  double longitude = 0;
  std::string attendance;
  std::vector<DeclaredZone> zones;        // by date, at least one
  std::vector<std::string> agents;        // sorted
  std::vector<WeekHours> hours;           // by date, not overlapping, each day's by opening
  std::vector<absl::CivilDay> holidays;   // sorted
  std::vector<DeclaredClosure> closures;  // by start
  std::vector<DeclaredProgramme> programmes;  // by programme
  std::vector<DeclaredPrice> prices;      // by programme, date
  std::vector<DeclaredTarget> targets;    // by date
  std::vector<DeclaredMachine> machines;  // by key
  std::string where;
};

struct Declaration {
  bool demonstration = false;
  std::vector<DeclaredSite> sites;  // by key
};

// One file as it was given.
struct DeclarationFile {
  std::string name;  // for messages
  std::string text;  // TOML
};

}  // namespace bayward
