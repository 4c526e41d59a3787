#include "proto/common/settings.h"

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <ostream>
#include <set>
#include <sstream>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/str_replace.h"
#include "fmt/format.h"
#include "proto/common/edit_distance.h"
#include "proto/common/setting_value.h"
#include "proto/common/status.h"
#include "toml++/toml.h"

namespace bayward {
namespace {

constexpr char kByDefault[] = "default";
constexpr char kMasked[] = "(secret)";

std::string EnvironmentNameOf(const std::string& key) {
  return "BAYWARD_" + absl::AsciiStrToUpper(absl::StrReplaceAll(key, {{".", "_"}, {"-", "_"}}));
}

std::string FlagNameOf(const std::string& key) {
  return "--" + absl::StrReplaceAll(key, {{".", "-"}, {"_", "-"}});
}

std::string Describe(const toml::node& node) {
  if (node.is_table()) return "a table";
  if (node.is_array()) return "an array";
  std::ostringstream text;
  node.visit([&text](const auto& value) {
    if constexpr (toml::is_value<decltype(value)>) text << value;
  });
  return text.str();
}

// The node's value written as in the environment; nullopt where its type cannot be the setting's.
std::optional<std::string> TextOf(const Setting& setting, const toml::node& node) {
  switch (setting.kind) {
    case SettingKind::kText:
    case SettingKind::kChoice:
    case SettingKind::kDuration:
      return node.value_exact<std::string>();
    case SettingKind::kBytes:
      if (auto count = node.value_exact<std::int64_t>()) return std::to_string(*count);
      return node.value_exact<std::string>();
    case SettingKind::kInteger:
      if (auto number = node.value_exact<std::int64_t>()) return std::to_string(*number);
      return std::nullopt;
    case SettingKind::kNumber:
      if (!node.is_number()) return std::nullopt;
      return fmt::format("{}", *node.value<double>());
    case SettingKind::kFlag:
      if (auto flag = node.value_exact<bool>()) return *flag ? "true" : "false";
      return std::nullopt;
    case SettingKind::kTexts:
      break;
  }
  return std::nullopt;
}

std::optional<SettingValue> TextsOf(const toml::node& node) {
  const toml::array* array = node.as_array();
  if (array == nullptr) return std::nullopt;
  std::vector<std::string> texts;
  for (const toml::node& item : *array) {
    auto text = item.value_exact<std::string>();
    if (!text.has_value()) return std::nullopt;
    texts.push_back(*std::move(text));
  }
  return texts;
}

}  // namespace

Environment ProcessEnvironment() {
  return [](const char* name) -> const char* { return std::getenv(name); };
}

// Fills a Settings in the order file, environment, flags: each overrules what was there.
class SettingsReader {
 public:
  SettingsReader(Settings& settings, std::vector<std::string>& faults)
      : settings_(settings), faults_(faults) {}

  void Declare(const std::vector<Setting>& declared) {
    for (const Setting& setting : declared) {
      auto fallback = ParseSetting(setting, setting.fallback);
      if (!fallback.ok()) {
        std::fprintf(stderr, "setting %s: its default does not fit: %s\n", setting.key.c_str(),
                     std::string(Message(fallback.status())).c_str());
        std::abort();
      }
      settings_.held_.push_back({setting, *std::move(fallback), kByDefault});
    }
  }

  void ReadFile(const std::vector<std::string>& left) {
    auto table = std::make_shared<toml::table>();
    if (!settings_.file_.empty()) {
      try {
        *table = toml::parse_file(settings_.file_.string());
      } catch (const toml::parse_error& error) {
        // An unreadable file has no line.
        const auto line = error.source().begin.line;
        faults_.push_back(line == 0 ? fmt::format("{}: {}", settings_.file_.string(), error.description())
                                    : fmt::format("{}: not TOML: {}", At(line), error.description()));
        unreadable_ = true;
      }
    }
    for (const auto& [key, node] : *table) {
      if (std::find(left.begin(), left.end(), key.str()) != left.end()) continue;
      TakeNode(std::string(key.str()), key.source().begin.line, node);
    }
    settings_.table_ = std::move(table);
  }

  void ReadEnvironment(const Environment& environment) {
    for (Settings::Held& held : settings_.held_) {
      const std::string name = EnvironmentNameOf(held.declared.key);
      const char* text = environment(name.c_str());
      if (text != nullptr) Take(held, text, name);
    }
  }

  void ReadFlags(const CommandLine& line) {
    for (Settings::Held& held : settings_.held_) {
      const auto found = line.flags.find(held.declared.key);
      if (found != line.flags.end()) Take(held, found->second, FlagNameOf(found->first));
    }
  }

  void RequireAll() {
    if (unreadable_) return;  // what is missing is not known
    for (const Settings::Held& held : settings_.held_) {
      if (!held.declared.required || held.origin != kByDefault || at_fault_.contains(held.declared.key))
        continue;
      const std::string where = settings_.file_.empty() ? "configuration" : settings_.file_.string();
      faults_.push_back(fmt::format("{}: {} is missing: expected {}; set it there or by {}", where,
                                    held.declared.key, ExpectedOf(held.declared),
                                    EnvironmentNameOf(held.declared.key)));
    }
  }

 private:
  std::string At(toml::source_index line) const {
    return fmt::format("{}:{}", settings_.file_.string(), line);
  }

  Settings::Held* Known(const std::string& key) {
    for (Settings::Held& held : settings_.held_) {
      if (held.declared.key == key) return &held;
    }
    return nullptr;
  }

  void TakeNode(const std::string& key, toml::source_index line, const toml::node& node) {
    Settings::Held* held = Known(key);
    if (held != nullptr) {
      TakeValue(*held, line, node);
    } else if (const toml::table* table = node.as_table(); table != nullptr && !table->empty()) {
      for (const auto& [inner, value] : *table) {
        TakeNode(fmt::format("{}.{}", key, inner.str()), inner.source().begin.line, value);
      }
    } else if (!node.is_table()) {
      faults_.push_back(fmt::format("{}: no setting is called {}; {}", At(line), key, Nearest(key)));
    }
  }

  std::string Nearest(const std::string& key) const {
    const auto& held = settings_.held_;
    if (held.empty()) return "there are none";
    const auto nearest = std::min_element(held.begin(), held.end(), [&key](const auto& a, const auto& b) {
      return EditDistance(key, a.declared.key) < EditDistance(key, b.declared.key);
    });
    return fmt::format("the nearest is {}", nearest->declared.key);
  }

  void TakeValue(Settings::Held& held, toml::source_index line, const toml::node& node) {
    if (held.declared.kind == SettingKind::kTexts) {
      if (auto texts = TextsOf(node)) {
        held.value = *std::move(texts);
        held.origin = At(line);
        return;
      }
    } else if (const auto text = TextOf(held.declared, node)) {
      Take(held, *text, At(line));
      return;
    }
    at_fault_.insert(held.declared.key);
    faults_.push_back(fmt::format("{}: {}: expected {}, found {}", At(line), held.declared.key,
                                  ExpectedOf(held.declared),
                                  held.declared.secret ? "something else" : Describe(node)));
  }

  void Take(Settings::Held& held, std::string_view text, const std::string& origin) {
    auto value = ParseSetting(held.declared, text);
    if (value.ok()) {
      held.value = *std::move(value);
      held.origin = origin;
      return;
    }
    at_fault_.insert(held.declared.key);
    faults_.push_back(fmt::format("{}: {}: {}", origin, held.declared.key, Message(value.status())));
  }

  Settings& settings_;
  std::vector<std::string>& faults_;
  std::set<std::string> at_fault_;
  bool unreadable_ = false;
};

Settings Settings::Read(const std::vector<Setting>& declared, const CommandLine& line,
                        const std::filesystem::path& file, const std::vector<std::string>& left,
                        std::vector<std::string>& faults, const Environment& environment) {
  Settings settings;
  settings.file_ = file;
  SettingsReader reader(settings, faults);
  reader.Declare(declared);
  reader.ReadFile(left);
  reader.ReadEnvironment(environment);
  reader.ReadFlags(line);
  reader.RequireAll();
  return settings;
}

const Settings::Held& Settings::Find(std::string_view key) const {
  for (const Held& held : held_) {
    if (held.declared.key == key) return held;
  }
  std::fprintf(stderr, "setting %s is not declared\n", std::string(key).c_str());
  std::abort();
}

template <class T>
const T& Settings::Get(std::string_view key) const {
  const T* value = std::get_if<T>(&Find(key).value);
  if (value == nullptr) {
    std::fprintf(stderr, "setting %s is of another kind\n", std::string(key).c_str());
    std::abort();
  }
  return *value;
}

const std::string& Settings::Text(std::string_view key) const { return Get<std::string>(key); }
const std::vector<std::string>& Settings::Texts(std::string_view key) const {
  return Get<std::vector<std::string>>(key);
}
std::int64_t Settings::Integer(std::string_view key) const { return Get<std::int64_t>(key); }
double Settings::Number(std::string_view key) const { return Get<double>(key); }
bool Settings::Flag(std::string_view key) const { return Get<bool>(key); }
absl::Duration Settings::Duration(std::string_view key) const { return Get<absl::Duration>(key); }
std::uint64_t Settings::Bytes(std::string_view key) const { return Get<std::uint64_t>(key); }

bool Settings::IsSet(std::string_view key) const { return Find(key).origin != kByDefault; }

const std::string& Settings::OriginOf(std::string_view key) const { return Find(key).origin; }

std::string Settings::FaultOf(std::string_view key, std::string_view message) const {
  const Held& held = Find(key);
  const std::string where = held.origin == kByDefault && !file_.empty() ? file_.string() : held.origin;
  return fmt::format("{}: {}: {}", where, key, message);
}

std::string Settings::Print() const {
  std::vector<std::string> lines;
  std::size_t width = 0;
  for (const Held& held : held_) {
    const bool masked = held.declared.secret && held.origin != kByDefault;
    lines.push_back(fmt::format("{} = {}", held.declared.key,
                                masked ? fmt::format("\"{}\"", kMasked) : SettingAsToml(held.value)));
    width = std::max(width, lines.back().size());
  }
  std::string text;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    text += fmt::format("{:<{}}  # {}\n", lines[i], width, held_[i].origin);
  }
  return text;
}

std::optional<int> AnswerConfigRequests(const CommandLine& line, const std::vector<Settings>& settings,
                                        const std::vector<std::string>& faults, std::ostream& out,
                                        std::ostream& err) {
  if (line.print_config) {
    for (const Settings& each : settings) {
      if (settings.size() > 1) out << "# " << each.file().string() << "\n";
      out << each.Print();
    }
  }
  for (const std::string& fault : faults) err << fault << "\n";
  if (!faults.empty()) return kExitBadConfig;
  if (line.check_config) out << "configuration is good\n";
  if (line.check_config || line.print_config) return 0;
  return std::nullopt;
}

}  // namespace bayward
