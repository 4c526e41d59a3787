// Makes a source from its table in the agent's configuration, code books included. Touches no controller and
// no network, so that a configuration can be checked anywhere. Thread-compatible.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "agent/sources/source.h"

namespace toml {
inline namespace v3 {
class table;
}
}  // namespace toml

namespace bayward {

class Clock;

struct SourceContext {
  std::filesystem::path config_file;  // named in messages; paths in the table are relative to its folder
  Clock* clock = nullptr;             // Clock::System() where none is given
};

// `table` is one [[source]] of the agent's configuration (its keys: agent/sources/settings.h). Every fault of
// the table and of the code books it names is appended to `faults` as "file:line: what is wrong"; the result
// is nullptr if there is one.
std::unique_ptr<Source> MakeSource(const toml::table& table, const SourceContext& context,
                                   std::vector<std::string>& faults);

// The faults of all sources together: names used twice, a machine served by two of them.
void CheckSources(const std::vector<std::unique_ptr<Source>>& sources, const SourceContext& context,
                  std::vector<std::string>& faults);

}  // namespace bayward
