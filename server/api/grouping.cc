#include "server/api/grouping.h"

#include "proto/common/status.h"

namespace bayward {

absl::StatusOr<v1::Grouping> GroupingOr(v1::Grouping asked, v1::Grouping fallback) {
  if (!v1::Grouping_IsValid(asked)) {
    return InvalidArgument("grouping: expected fleet, region, site, kind or machine, found {}",
                           static_cast<int>(asked));
  }
  return asked == v1::GROUPING_UNSPECIFIED ? fallback : asked;
}

std::string GroupOf(v1::Grouping grouping, const Site& site, const Machine& machine) {
  switch (grouping) {
    case v1::GROUPING_FLEET: return "fleet";
    case v1::GROUPING_REGION: return site.region;
    case v1::GROUPING_SITE: return site.key;
    case v1::GROUPING_KIND: return machine.kind;
    default: return machine.full_name;
  }
}

}  // namespace bayward
