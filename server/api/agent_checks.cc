#include "server/api/agent_checks.h"

#include <algorithm>
#include <cstddef>
#include <map>
#include <set>
#include <string>
#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"

namespace bayward {
namespace {

using Check = v1::DiagnoseResponse::Check;

constexpr std::size_t kNamesShown = 8;

Check MakeCheck(const char* name, Check::Verdict verdict, std::string found, std::string advice) {
  Check check;
  check.set_name(name);
  check.set_verdict(verdict);
  check.set_found(std::move(found));
  if (verdict != Check::VERDICT_GOOD) check.set_advice(std::move(advice));
  return check;
}

std::string KeyOf(const LiveSnapshot& snapshot, AgentId id) {
  const Agent* agent = snapshot.fleet->FindAgent(id);
  return agent != nullptr ? agent->key : fmt::format("agent {}", id.value);
}

std::string Listed(const std::vector<std::string>& names) {
  if (names.size() <= kNamesShown) return absl::StrJoin(names, ", ");
  return absl::StrJoin(names.begin(), names.begin() + kNamesShown, ", ") +
         fmt::format(" and {} more", names.size() - kNamesShown);
}

bool EverHeard(const LiveAgent& agent) { return agent.last_seen != absl::InfinitePast(); }

Check CheckHeard(const LiveSnapshot& snapshot, absl::Time now) {
  std::vector<std::string> quiet;
  for (const LiveAgent& agent : snapshot.agents) {
    if (!EverHeard(agent)) {
      quiet.push_back(KeyOf(snapshot, agent.id) + " (never)");
    } else if (now - agent.last_seen > kAgentQuietAfter) {
      quiet.push_back(fmt::format("{} ({} min ago)", KeyOf(snapshot, agent.id),
                                  absl::ToInt64Minutes(now - agent.last_seen)));
    }
  }
  if (quiet.empty()) {
    return MakeCheck("agents heard", Check::VERDICT_GOOD, fmt::format("all {}", snapshot.agents.size()), "");
  }
  return MakeCheck(
      "agents heard", Check::VERDICT_LOOK,
      fmt::format("{} of {} not heard for {} min: {}", quiet.size(), snapshot.agents.size(),
                  absl::ToInt64Minutes(kAgentQuietAfter), Listed(quiet)),
      "See whether the site has power and an uplink, and whether bayward-agent runs there. What it records "
      "meanwhile it delivers later.");
}

Check CheckClocks(const LiveSnapshot& snapshot) {
  std::vector<std::pair<absl::Duration, std::string>> off;  // by size
  for (const LiveAgent& agent : snapshot.agents) {
    if (EverHeard(agent) && absl::AbsDuration(agent.clock_offset) > kClockLookFrom) {
      off.emplace_back(
          absl::AbsDuration(agent.clock_offset),
          fmt::format("{} {:+.1f} s", KeyOf(snapshot, agent.id), absl::ToDoubleSeconds(agent.clock_offset)));
    }
  }
  if (off.empty()) {
    return MakeCheck("agent clocks", Check::VERDICT_GOOD,
                     fmt::format("all within {} s of the server's", absl::ToInt64Seconds(kClockLookFrom)),
                     "");
  }
  std::sort(off.begin(), off.end(), [](const auto& a, const auto& b) { return a.first > b.first; });
  const bool bad = off.front().first > kClockBadFrom;
  std::vector<std::string> names;
  for (auto& [size, name] : off) names.push_back(std::move(name));
  return MakeCheck(
      "agent clocks", bad ? Check::VERDICT_BAD : Check::VERDICT_LOOK,
      fmt::format("{} more than {} s from the server's: {}", names.size(),
                  absl::ToInt64Seconds(kClockLookFrom), Listed(names)),
      "Let the site's clock follow a time source (NTP). If all agents are off by the same, it is the "
      "server's clock.");
}

Check CheckVersions(const LiveSnapshot& snapshot, std::string_view server_version) {
  std::map<std::string, std::vector<std::string>> by_version;
  for (const LiveAgent& agent : snapshot.agents) {
    if (!agent.version.empty()) by_version[agent.version].push_back(KeyOf(snapshot, agent.id));
  }
  std::vector<std::string> lines;
  bool differs = false;
  for (const auto& [version, agents] : by_version) {
    const bool same = version == server_version;
    differs = differs || !same;
    lines.push_back(same ? fmt::format("{}: {} agents", version, agents.size())
                         : fmt::format("{}: {}", version, Listed(agents)));
  }
  if (lines.empty())
    return MakeCheck("agent versions", Check::VERDICT_GOOD, "no agent has said its version yet", "");
  return MakeCheck("agent versions", differs ? Check::VERDICT_LOOK : Check::VERDICT_GOOD,
                   absl::StrJoin(lines, "; "),
                   fmt::format("Bring agents to the server's version, {}.", server_version));
}

Check CheckCodeBooks(const LiveSnapshot& snapshot) {
  std::map<std::string, std::set<std::string>> contents;  // of each name: version and digest
  for (const LiveAgent& agent : snapshot.agents) {
    for (const CodeBookInUse& book : agent.code_books) {
      contents[book.name].insert(fmt::format("{} ({})", book.version, book.sha256.substr(0, 8)));
    }
  }
  std::vector<std::string> several;
  for (const auto& [name, versions] : contents) {
    if (versions.size() > 1) several.push_back(fmt::format("{}: {}", name, absl::StrJoin(versions, " and ")));
  }
  if (several.empty()) {
    return MakeCheck("code books", Check::VERDICT_GOOD,
                     fmt::format("{} in use, each the same everywhere", contents.size()), "");
  }
  return MakeCheck(
      "code books", Check::VERDICT_LOOK, "not the same everywhere: " + Listed(several),
      "Bring the agents of one controller to one code book, or the same raw code may mean different faults.");
}

Check CheckSpools(const LiveSnapshot& snapshot) {
  std::vector<std::string> full;
  bool dropped = false;
  for (const LiveAgent& agent : snapshot.agents) {
    if (agent.dropped_events > 0) {
      dropped = true;
      full.push_back(fmt::format("{} dropped {} events", KeyOf(snapshot, agent.id), agent.dropped_events));
    } else if (agent.spool_bytes_max > 0 && static_cast<double>(agent.spool_bytes) >
                                                kSpoolLookFrom * static_cast<double>(agent.spool_bytes_max)) {
      full.push_back(fmt::format("{} {} % full", KeyOf(snapshot, agent.id),
                                 100 * agent.spool_bytes / agent.spool_bytes_max));
    }
  }
  if (full.empty()) return MakeCheck("agent spools", Check::VERDICT_GOOD, "all have room", "");
  return MakeCheck(
      "agent spools", dropped ? Check::VERDICT_BAD : Check::VERDICT_LOOK, Listed(full),
      "An agent with a full spool must drop events. See why it cannot deliver, or give its spool more room.");
}

}  // namespace

std::vector<Check> CheckAgents(const LiveSnapshot& snapshot, absl::Time now,
                               std::string_view server_version) {
  return {CheckHeard(snapshot, now), CheckClocks(snapshot), CheckVersions(snapshot, server_version),
          CheckCodeBooks(snapshot), CheckSpools(snapshot)};
}

}  // namespace bayward
