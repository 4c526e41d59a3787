#include "server/registry/declaration_table.h"

#include <algorithm>
#include <cmath>
#include <sstream>

#include "fmt/format.h"
#include "proto/common/edit_distance.h"
#include "toml++/toml.h"

namespace bayward {
namespace {

constexpr std::size_t kShownMax = 60;

int LineOf(const toml::node& node) { return std::max(1, static_cast<int>(node.source().begin.line)); }

// Text as it stands, dates and times as they are written; nullopt for anything else.
std::optional<std::string> AsText(const toml::node& node) {
  if (const auto text = node.value_exact<std::string>()) return text;
  std::ostringstream out;
  if (const auto* day = node.as_date()) out << **day;
  if (const auto* time = node.as_date_time()) out << **time;
  return out.str().empty() ? std::nullopt : std::optional(out.str());
}

// The kind of value and, where it is short, the value itself.
std::string Describe(const toml::node& node) {
  if (node.is_table()) return "a table";
  if (node.is_array()) return "an array";
  if (const auto text = node.value_exact<std::string>()) return "\"" + *text + "\"";
  std::ostringstream out;
  node.visit([&out](const auto& value) {
    if constexpr (toml::is_value<decltype(value)>) out << value;
  });
  return out.str().size() <= kShownMax ? out.str() : out.str().substr(0, kShownMax - 3) + "...";
}

}  // namespace

std::string DidYouMean(std::string_view found, const std::vector<std::string>& candidates) {
  const std::string* nearest = nullptr;
  std::size_t least = std::max<std::size_t>(2, found.size() / 3) + 1;
  for (const std::string& candidate : candidates) {
    const std::size_t distance = EditDistance(found, candidate);
    if (distance < least) {
      least = distance;
      nearest = &candidate;
    }
  }
  return nearest == nullptr ? "" : fmt::format(" (did you mean \"{}\"?)", *nearest);
}

DeclarationTable::DeclarationTable(const toml::table& table, std::string what, std::string file,
                                   std::vector<std::string>& faults)
    : table_(&table), what_(std::move(what)), file_(std::move(file)), faults_(&faults) {}

const toml::node* DeclarationTable::Find(std::string_view key) {
  asked_.emplace(key);
  return table_->get(key);
}

bool DeclarationTable::Has(std::string_view key) const { return table_->get(key) != nullptr; }

bool DeclarationTable::IsEmptyArray(std::string_view key) const {
  const toml::node* node = table_->get(key);
  return node != nullptr && node->is_array() && node->as_array()->empty();
}

int DeclarationTable::Line(std::string_view key) const {
  const toml::node* node = table_->get(key);
  return LineOf(node != nullptr ? *node : *table_);
}

std::string DeclarationTable::Where() const { return fmt::format("{}:{}", file_, LineOf(*table_)); }

void DeclarationTable::Fault(std::string_view key, const std::string& message) {
  faults_->push_back(fmt::format("{}:{}: {}", file_, Line(key), message));
}

void DeclarationTable::Missing(std::string_view key, std::string_view expected) {
  Fault(key, fmt::format("{} has no \"{}\": expected {}", what_, key, expected));
}

void DeclarationTable::Expected(int line, std::string_view key, std::string_view expected,
                                const std::string& found) {
  faults_->push_back(
      fmt::format("{}:{}: {} of {}: expected {}, found {}", file_, line, key, what_, expected, found));
}

std::optional<DeclarationTable::Text> DeclarationTable::FindText(std::string_view key,
                                                                 std::string_view expected) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  std::optional<std::string> text = AsText(*node);
  if (!text) {
    Expected(LineOf(*node), key, expected, Describe(*node));
    return std::nullopt;
  }
  return Text{*std::move(text), LineOf(*node)};
}

std::vector<DeclarationTable::Text> DeclarationTable::FindTexts(std::string_view key,
                                                                std::string_view expected) {
  const toml::node* node = Find(key);
  std::vector<Text> texts;
  if (node == nullptr) return texts;
  const toml::array* array = node->as_array();
  if (array == nullptr) {
    Expected(LineOf(*node), key, fmt::format("an array, of {}", expected), Describe(*node));
    return texts;
  }
  for (const toml::node& entry : *array) {
    if (std::optional<std::string> text = AsText(entry)) {
      texts.push_back({*std::move(text), LineOf(entry)});
    } else {
      Expected(LineOf(entry), key, expected, Describe(entry));
    }
  }
  return texts;
}

std::optional<bool> DeclarationTable::Flag(std::string_view key) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto flag = node->value_exact<bool>();
  if (!flag) Expected(LineOf(*node), key, "true or false", Describe(*node));
  return flag;
}

double DeclarationTable::Number(std::string_view key, double min, double max) {
  const toml::node* node = Find(key);
  const std::string expected = fmt::format("a number from {} to {}", min, max);
  if (node == nullptr) {
    Missing(key, expected);
    return min;
  }
  const auto number = node->is_number() ? node->value<double>() : std::nullopt;
  // Not a number compares false with everything.
  if (!number || !(*number >= min && *number <= max)) {
    Expected(LineOf(*node), key, expected, Describe(*node));
    return min;
  }
  return *number + 0.0;  // -0.0 is 0
}

std::vector<DeclarationTable> DeclarationTable::Tables(std::string_view key, const std::string& what) {
  std::vector<DeclarationTable> tables;
  const toml::node* node = Find(key);
  if (node == nullptr) return tables;
  const toml::array* array = node->as_array();
  if (array == nullptr || !array->is_homogeneous<toml::table>()) {
    if (array == nullptr || !array->empty()) {
      Expected(LineOf(*node), key, fmt::format("tables, each headed {}", what), Describe(*node));
    }
    return tables;
  }
  for (const toml::node& entry : *array) tables.emplace_back(*entry.as_table(), what, file_, *faults_);
  return tables;
}

std::optional<DeclarationTable> DeclarationTable::Table(std::string_view key, const std::string& what) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  if (const toml::table* table = node->as_table()) return DeclarationTable(*table, what, file_, *faults_);
  Expected(LineOf(*node), key, fmt::format("a table headed {}", what), Describe(*node));
  return std::nullopt;
}

void DeclarationTable::RefuseUnknown() {
  const std::vector<std::string> known(asked_.begin(), asked_.end());
  for (const auto& [key, node] : *table_) {
    if (asked_.contains(key.str())) continue;
    faults_->push_back(fmt::format("{}:{}: {} has an unknown key \"{}\"{}", file_,
                                   std::max(1, static_cast<int>(key.source().begin.line)), what_, key.str(),
                                   DidYouMean(key.str(), known)));
  }
}

TomlFile::TomlFile(std::unique_ptr<toml::table> table, std::string name)
    : table_(std::move(table)), name_(std::move(name)) {}
TomlFile::TomlFile(TomlFile&&) noexcept = default;
TomlFile::~TomlFile() = default;

std::optional<TomlFile> TomlFile::Parse(const DeclarationFile& file, std::vector<std::string>& faults) {
  try {
    return TomlFile(std::make_unique<toml::table>(toml::parse(file.text)), file.name);
  } catch (const toml::parse_error& e) {
    faults.push_back(
        fmt::format("{}:{}: this is not TOML: {}", file.name, e.source().begin.line, e.description()));
    return std::nullopt;
  }
}

DeclarationTable TomlFile::Root(std::vector<std::string>& faults) const {
  return DeclarationTable(*table_, "the file", name_, faults);
}

}  // namespace bayward
