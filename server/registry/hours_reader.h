// Reads opening hours of a site or a machine and checks that none overlap. Pure and thread-safe.
#pragma once

#include <vector>

#include "server/model/calendar.h"
#include "server/registry/declaration_table.h"

namespace bayward {

// The `hours` tables of `owner`, by date. A week without valid_to ends where the next begins.
std::vector<WeekHours> ReadHours(DeclarationTable& owner, const std::string& header,
                                 const std::string& owner_name);

}  // namespace bayward
