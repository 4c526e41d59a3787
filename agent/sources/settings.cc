#include "agent/sources/settings.h"

#include <map>
#include <set>
#include <utility>

#include "fmt/format.h"

namespace bayward {
namespace {

class Reader {
 public:
  Reader(TableReader& source, const std::filesystem::path& folder, std::vector<std::string>& faults)
      : source_(source), folder_(folder), faults_(faults) {}

  SourceSettings Read() {
    const std::string name = source_.Text("name");
    if (!source_.Has("kind")) {
      source_.Fault("kind", "[[source]] has no \"kind\": \"modbus\", \"lines\" or \"rehearsal\"");
    }
    const auto kind = source_.Choice("kind", {"modbus", "lines", "rehearsal"});
    if (!kind.has_value()) return {};
    if (*kind == 0) return ReadModbus(name);
    if (*kind == 1) return ReadLines(name);
    return ReadRehearsal(name);
  }

 private:
  ModbusSettings ReadModbus(const std::string& name) {
    ModbusSettings settings;
    settings.name = name;
    settings.host = source_.Text("host");
    settings.port = static_cast<std::uint16_t>(source_.Integer("port", 1, 65535).value_or(settings.port));
    settings.poll = source_.Span("poll", absl::Milliseconds(50), absl::Minutes(1)).value_or(settings.poll);
    settings.timeout =
        source_.Span("timeout", absl::Milliseconds(50), absl::Seconds(30)).value_or(settings.timeout);
    settings.silent_after =
        source_.Span("silent_after", absl::Seconds(1), absl::Minutes(10)).value_or(settings.silent_after);
    settings.merge_gap =
        static_cast<unsigned>(source_.Integer("merge_gap", 0, 60).value_or(settings.merge_gap));
    if (settings.silent_after < 2 * settings.poll) {
      source_.Fault("silent_after", fmt::format("silent_after is {}: it takes at least two polls of {}",
                                                absl::FormatDuration(settings.silent_after),
                                                absl::FormatDuration(settings.poll)));
    }
    for (TableReader& reader : Machines()) {
      ModbusSettings::Machine machine;
      machine.machine = MachineKey(reader);
      machine.line = reader.Line("machine");
      machine.unit = static_cast<int>(reader.Integer("unit", 0, 255).value_or(machine.unit));
      machine.book = Book(reader, BookSource::kModbus);
      reader.RefuseUnknown();
      settings.machines.push_back(std::move(machine));
    }
    return settings;
  }

  LinesSettings ReadLines(const std::string& name) {
    LinesSettings settings;
    settings.name = name;
    const std::string path = source_.Text("path");
    settings.path = path == "-" ? std::filesystem::path(path) : folder_ / path;
    settings.from_beginning = source_.Choice("from", {"end", "beginning"}).value_or(0) == 1;
    settings.silent_after =
        source_.Span("silent_after", absl::Seconds(1), absl::Hours(24)).value_or(settings.silent_after);
    std::set<std::string> spoken_as;
    for (TableReader& reader : Machines()) {
      LinesSettings::Machine machine;
      machine.machine = MachineKey(reader);
      machine.line = reader.Line("machine");
      machine.as = reader.OptionalText("as").value_or("");
      machine.book = Book(reader, BookSource::kLines);
      CheckAs(reader, machine, spoken_as);
      reader.RefuseUnknown();
      settings.machines.push_back(std::move(machine));
    }
    if (settings.machines.size() > 1 && spoken_as.contains("")) {
      source_.Fault("machine",
                    "several machines share these lines: state for each what they call it with \"as\"");
    }
    return settings;
  }

  static void CheckAs(TableReader& reader, const LinesSettings::Machine& machine,
                      std::set<std::string>& spoken_as) {
    if (!spoken_as.insert(machine.as).second && !machine.as.empty()) {
      reader.Fault("as",
                   fmt::format("a second machine that the lines call \"{}\": give each its own", machine.as));
    }
    if (machine.book != nullptr && !machine.as.empty() && machine.book->lines.machine.empty()) {
      reader.Fault(
          "as", fmt::format("code book \"{}\" names no machine field in [lines]: take \"as\" out, or name it",
                            machine.book->name));
    }
  }

  RehearsalSettings ReadRehearsal(const std::string& name) {
    RehearsalSettings settings;
    settings.name = name;
    settings.path = folder_ / source_.Text("path");
    settings.machines = source_.Texts("machines");
    settings.line = source_.Line("machines");
    if (!source_.Has("machines") || settings.machines.empty()) {
      source_.Fault("machines",
                    "a rehearsal needs \"machines\": the keys of the machines that the scenario plays");
    }
    std::set<std::string> seen;
    for (const std::string& machine : settings.machines) {
      if (!seen.insert(machine).second)
        source_.Fault("machines", fmt::format("\"{}\" stands twice", machine));
    }
    settings.begin_now = source_.Choice("begin", {"as_written", "now"}).value_or(0) == 1;
    settings.speed = source_.Number("speed", 1, 1000).value_or(1);
    if (settings.speed > 1 && !settings.begin_now) {
      source_.Fault("speed",
                    "a speed above 1 needs begin = \"now\": times as written would run ahead of the clock");
    }
    settings.repeat = source_.Choice("at_end", {"quiet", "repeat"}).value_or(0) == 1;
    return settings;
  }

  std::vector<TableReader> Machines() {
    if (!source_.Has("machine")) {
      source_.Fault("machine", "the source serves no machine: state each as [[source.machine]]");
    }
    return source_.Tables("machine");
  }

  std::string MachineKey(TableReader& reader) {
    std::string key = reader.Text("machine");
    if (!key.empty() && !keys_.insert(key).second) {
      reader.Fault("machine", fmt::format("machine \"{}\" stands twice in this source", key));
    }
    return key;
  }

  // Each file is read once, so that its faults are told once.
  std::shared_ptr<const CodeBook> Book(TableReader& reader, BookSource kind) {
    const std::string path = reader.Text("codebook");
    if (path.empty()) return nullptr;
    const auto [found, added] = books_.try_emplace(path);
    if (added) found->second = ReadCodeBook(folder_ / path, faults_);
    if (found->second != nullptr && found->second->source != kind) {
      reader.Fault("codebook", fmt::format("code book \"{}\" is for {} sources", found->second->name,
                                           kind == BookSource::kModbus ? "lines" : "modbus"));
      return nullptr;
    }
    return found->second;
  }

  TableReader& source_;
  const std::filesystem::path& folder_;
  std::vector<std::string>& faults_;
  std::set<std::string> keys_;
  std::map<std::string, std::shared_ptr<const CodeBook>> books_;
};

}  // namespace

std::optional<SourceSettings> ReadSourceSettings(TableReader& source, const std::filesystem::path& folder,
                                                 std::vector<std::string>& faults) {
  const std::size_t before = faults.size();
  SourceSettings settings = Reader(source, folder, faults).Read();
  if (source.Has("kind")) source.RefuseUnknown();
  if (faults.size() != before) return std::nullopt;
  return settings;
}

}  // namespace bayward
