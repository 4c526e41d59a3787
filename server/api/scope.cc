#include "server/api/scope.h"

#include <algorithm>
#include <limits>
#include <set>
#include <utility>

#include "absl/strings/escaping.h"
#include "proto/common/edit_distance.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::size_t kQuotedMax = 80;

using Names = std::set<std::string, std::less<>>;

std::string Nearest(const Names& known, std::string_view asked) {
  std::string nearest;
  std::size_t least = std::numeric_limits<std::size_t>::max();
  for (const std::string& name : known) {
    const std::size_t distance = EditDistance(name, asked.substr(0, kQuotedMax));
    if (distance < least) {
      least = distance;
      nearest = name;
    }
  }
  return nearest;
}

// The wanted names as a set; an empty one narrows nothing. `what`: "site".
absl::StatusOr<Names> Wanted(const google::protobuf::RepeatedPtrField<std::string>& asked, const Names& known,
                             std::string_view what) {
  Names wanted;
  for (const std::string& name : asked) {
    if (!known.contains(name)) {
      if (known.empty()) return NotFound("there is no {} {}: the fleet has none at all", what, Quoted(name));
      return NotFound("there is no {} {}; the nearest name is {}", what, Quoted(name),
                      Quoted(Nearest(known, name)));
    }
    wanted.insert(name);
  }
  return wanted;
}

bool Lets(const Names& wanted, const std::string& name) { return wanted.empty() || wanted.contains(name); }

struct KnownNames {
  Names regions, sites, machines, kinds;
};

KnownNames NamesOf(const Fleet& fleet) {
  KnownNames known;
  for (const Site& site : fleet.sites) {
    known.regions.insert(site.region);
    known.sites.insert(site.key);
  }
  for (const Machine& machine : fleet.machines) {
    known.machines.insert(machine.full_name);
    known.kinds.insert(machine.kind);
  }
  return known;
}

}  // namespace

absl::StatusOr<Selection> ResolveScope(const Fleet& fleet, const v1::Scope& scope) {
  const KnownNames known = NamesOf(fleet);
  BAYWARD_ASSIGN_OR_RETURN(const Names regions, Wanted(scope.regions(), known.regions, "region"));
  BAYWARD_ASSIGN_OR_RETURN(const Names sites, Wanted(scope.sites(), known.sites, "site"));
  BAYWARD_ASSIGN_OR_RETURN(const Names machines, Wanted(scope.machines(), known.machines, "machine"));
  BAYWARD_ASSIGN_OR_RETURN(const Names kinds, Wanted(scope.kinds(), known.kinds, "kind"));

  Selection selection;
  std::set<SiteId> of_machines;
  for (const Machine& machine : fleet.machines) {
    const Site* site = fleet.FindSite(machine.site);
    if (site == nullptr || !Lets(regions, site->region) || !Lets(sites, site->key)) continue;
    if (!Lets(machines, machine.full_name) || !Lets(kinds, machine.kind)) continue;
    selection.machines.push_back(&machine);
    of_machines.insert(site->id);
  }
  const bool narrowed = !machines.empty() || !kinds.empty();
  for (const Site& site : fleet.sites) {
    if (!Lets(regions, site.region) || !Lets(sites, site.key)) continue;
    if (!narrowed || of_machines.contains(site.id)) selection.sites.push_back(&site);
  }
  std::sort(selection.machines.begin(), selection.machines.end(),
            [](const Machine* a, const Machine* b) { return a->full_name < b->full_name; });
  std::sort(selection.sites.begin(), selection.sites.end(),
            [](const Site* a, const Site* b) { return a->key < b->key; });
  return selection;
}

std::string Quoted(std::string_view text) {
  std::string_view shown = text.substr(0, kQuotedMax);
  if (shown.size() < text.size()) {
    // Not in the middle of a character of UTF-8.
    while (!shown.empty() && (static_cast<unsigned char>(text[shown.size()]) & 0xC0) == 0x80)
      shown.remove_suffix(1);
  }
  std::string out = "\"" + absl::Utf8SafeCEscape(absl::string_view(shown.data(), shown.size()));
  if (shown.size() < text.size()) out += "…";
  return out + "\"";
}

}  // namespace bayward
