#include "agent/sources/source_factory.h"

#include <map>
#include <set>
#include <type_traits>
#include <utility>

#include "agent/codebook/table_reader.h"
#include "agent/sources/lines_source.h"
#include "agent/sources/modbus_source.h"
#include "agent/sources/rehearsal_source.h"
#include "agent/sources/settings.h"
#include "fmt/format.h"
#include "proto/common/clock.h"

namespace bayward {

std::unique_ptr<Source> MakeSource(const toml::table& table, const SourceContext& context,
                                   std::vector<std::string>& faults) {
  TableReader reader(table, "[[source]]", context.config_file.string(), faults);
  auto settings = ReadSourceSettings(reader, context.config_file.parent_path(), faults);
  if (!settings.has_value()) return nullptr;
  Clock& clock = context.clock != nullptr ? *context.clock : Clock::System();
  return std::visit(
      [&clock](auto&& kind) -> std::unique_ptr<Source> {
        using Settings = std::decay_t<decltype(kind)>;
        if constexpr (std::is_same_v<Settings, ModbusSettings>) {
          return std::make_unique<ModbusSource>(std::move(kind), clock);
        } else if constexpr (std::is_same_v<Settings, LinesSettings>) {
          return std::make_unique<LinesSource>(std::move(kind), clock);
        } else {
          return std::make_unique<RehearsalSource>(std::move(kind), clock);
        }
      },
      *std::move(settings));
}

void CheckSources(const std::vector<std::unique_ptr<Source>>& sources, const SourceContext& context,
                  std::vector<std::string>& faults) {
  const std::string file = context.config_file.string();
  std::map<std::string, std::string> served_by;
  std::set<std::string> names;
  for (const auto& source : sources) {
    if (source == nullptr) continue;
    if (!names.emplace(source->name()).second) {
      const int line = source->machines().empty() ? 1 : source->machines().front().config_line;
      faults.push_back(fmt::format("{}:{}: two sources are named \"{}\": give each its own name", file, line,
                                   source->name()));
    }
    for (const ServedMachine& served : source->machines()) {
      const auto [other, added] = served_by.emplace(served.machine, source->name());
      if (added) continue;
      faults.push_back(fmt::format("{}:{}: machine \"{}\" is served by source \"{}\" and by \"{}\": keep one",
                                   file, served.config_line, served.machine, other->second, source->name()));
    }
  }
}

}  // namespace bayward
