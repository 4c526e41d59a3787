#include "agent/codebook/table_reader.h"

#include <algorithm>
#include <array>
#include <sstream>
#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "toml++/toml.h"

namespace bayward {
namespace {

int LineOf(const toml::node& node) { return static_cast<int>(node.source().begin.line); }

// The kind of value and, where it is short, the value itself.
std::string Describe(const toml::node& node) {
  if (node.is_table()) return "a table";
  if (node.is_array()) return "an array";
  std::ostringstream text;
  node.visit([&text](const auto& value) {
    if constexpr (toml::is_value<decltype(value)>) text << value;
  });
  return text.str().size() <= 60 ? text.str() : text.str().substr(0, 57) + "...";
}

}  // namespace

std::string ToText(const Scalar& scalar) {
  if (const auto* text = std::get_if<std::string>(&scalar)) return *text;
  if (const auto* number = std::get_if<std::int64_t>(&scalar)) return std::to_string(*number);
  return std::get<bool>(scalar) ? "true" : "false";
}

TableReader::TableReader(const toml::table& table, std::string what, std::string file,
                         std::vector<std::string>& faults)
    : table_(&table), what_(std::move(what)), file_(std::move(file)), faults_(&faults) {}

const toml::node* TableReader::Find(std::string_view key) {
  asked_.emplace(key);
  return table_->get(key);
}

bool TableReader::Has(std::string_view key) const { return table_->get(key) != nullptr; }

bool TableReader::empty() const { return table_->empty(); }

bool TableReader::HoldsTable(std::string_view key) const {
  const toml::node* node = table_->get(key);
  return node != nullptr && node->is_table();
}

int TableReader::Line(std::string_view key) const {
  const toml::node* node = table_->get(key);
  return node != nullptr ? LineOf(*node) : LineOf(*table_);
}

void TableReader::Fault(std::string_view key, const std::string& message) { FaultAt(Line(key), message); }

void TableReader::FaultAt(int line, const std::string& message) {
  faults_->push_back(fmt::format("{}:{}: {}", file_, std::max(line, 1), message));
}

void TableReader::Expected(const toml::node& node, std::string_view key, const std::string& expected) {
  FaultAt(LineOf(node), fmt::format("{} in {}: expected {}, found {}", key, what_, expected, Describe(node)));
}

std::string TableReader::Text(std::string_view key) {
  if (!Has(key)) {
    asked_.emplace(key);
    Fault(key, fmt::format("{} has no \"{}\": state it as text", what_, key));
    return "";
  }
  return OptionalText(key).value_or("");
}

std::optional<std::string> TableReader::OptionalText(std::string_view key) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto text = node->value_exact<std::string>();
  if (!text.has_value() || text->empty()) {
    Expected(*node, key, "text that is not empty");
    return std::nullopt;
  }
  return text;
}

std::optional<std::int64_t> TableReader::Integer(std::string_view key, std::int64_t min, std::int64_t max) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto number = node->value_exact<std::int64_t>();
  if (!number.has_value() || *number < min || *number > max) {
    Expected(*node, key, fmt::format("a whole number from {} to {}", min, max));
    return std::nullopt;
  }
  return number;
}

std::optional<double> TableReader::Number(std::string_view key, double min, double max) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto number = node->is_number() ? node->value<double>() : std::nullopt;
  if (!number.has_value() || !(*number >= min && *number <= max)) {
    Expected(*node, key, fmt::format("a number from {} to {}", min, max));
    return std::nullopt;
  }
  return number;
}

std::optional<bool> TableReader::Flag(std::string_view key) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto flag = node->value_exact<bool>();
  if (!flag.has_value()) Expected(*node, key, "true or false");
  return flag;
}

std::optional<absl::Duration> TableReader::Span(std::string_view key, absl::Duration min,
                                                absl::Duration max) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  absl::Duration span;
  const auto text = node->value_exact<std::string>();
  if (!text.has_value() || !absl::ParseDuration(*text, &span) || span < min || span > max) {
    Expected(*node, key,
             fmt::format("a duration such as \"500ms\", \"20s\" or \"15m\", from {} to {}",
                         absl::FormatDuration(min), absl::FormatDuration(max)));
    return std::nullopt;
  }
  return span;
}

std::optional<std::size_t> TableReader::Choice(std::string_view key,
                                               std::initializer_list<std::string_view> words) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  const auto text = node->value_exact<std::string>();
  if (text.has_value()) {
    const auto* found = std::find(words.begin(), words.end(), std::string_view(*text));
    if (found != words.end()) return static_cast<std::size_t>(found - words.begin());
  }
  std::string list;
  for (std::string_view word : words) list += fmt::format("{}\"{}\"", list.empty() ? "" : ", ", word);
  Expected(*node, key, "one of " + list);
  return std::nullopt;
}

std::optional<Scalar> TableReader::ReadScalar(const toml::node& node, std::string_view key) {
  if (auto text = node.value_exact<std::string>()) return Scalar(*std::move(text));
  if (auto number = node.value_exact<std::int64_t>()) return Scalar(*number);
  if (auto flag = node.value_exact<bool>()) return Scalar(*flag);
  Expected(node, key, "text, a whole number, true or false");
  return std::nullopt;
}

std::optional<Scalar> TableReader::AnyScalar(std::string_view key) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  return ReadScalar(*node, key);
}

std::vector<std::string> TableReader::Texts(std::string_view key) {
  std::vector<std::string> texts;
  const toml::node* node = Find(key);
  if (node == nullptr) return texts;
  const toml::array* array = node->as_array();
  if (array == nullptr) {
    Expected(*node, key, "an array of texts");
    return texts;
  }
  for (const toml::node& item : *array) {
    const auto text = item.value_exact<std::string>();
    if (text.has_value() && !text->empty()) {
      texts.push_back(*text);
    } else {
      Expected(item, key, "text that is not empty");
    }
  }
  return texts;
}

std::optional<TableReader> TableReader::Table(std::string_view key) {
  const toml::node* node = Find(key);
  if (node == nullptr) return std::nullopt;
  if (!node->is_table()) {
    Expected(*node, key, "a table");
    return std::nullopt;
  }
  return TableReader(*node->as_table(), fmt::format("[{}]", key), file_, *faults_);
}

std::vector<TableReader> TableReader::Tables(std::string_view key) {
  std::vector<TableReader> readers;
  const toml::node* node = Find(key);
  if (node == nullptr) return readers;
  const toml::array* array = node->as_array();
  if (array == nullptr) {
    Expected(*node, key, fmt::format("tables, each begun by [[{}]]", key));
    return readers;
  }
  for (const toml::node& item : *array) {
    if (item.is_table()) {
      readers.emplace_back(*item.as_table(), fmt::format("[[{}]]", key), file_, *faults_);
    } else {
      Expected(item, key, "a table");
    }
  }
  return readers;
}

std::vector<NamedScalar> TableReader::Scalars() {
  using Entry = std::pair<const toml::key*, const toml::node*>;
  std::vector<Entry> entries;
  for (const auto& [key, node] : *table_) entries.emplace_back(&key, &node);
  std::sort(entries.begin(), entries.end(),
            [](const Entry& a, const Entry& b) { return a.first->source().begin < b.first->source().begin; });
  std::vector<NamedScalar> scalars;
  for (const auto& [key, node] : entries) {
    asked_.emplace(key->str());
    if (auto scalar = ReadScalar(*node, key->str())) {
      scalars.push_back({std::string(key->str()), *std::move(scalar), LineOf(*node)});
    }
  }
  return scalars;
}

void TableReader::RefuseUnknown() {
  for (const auto& [key, node] : *table_) {
    if (asked_.contains(key.str())) continue;
    FaultAt(static_cast<int>(key.source().begin.line),
            fmt::format("{} has no key \"{}\"; it knows: {}", what_, key.str(), absl::StrJoin(asked_, ", ")));
  }
}

std::optional<TomlText> TomlText::Parse(std::string_view text, const std::string& file,
                                        std::vector<std::string>& faults) {
  try {
    return TomlText(toml::parse(text));
  } catch (const toml::parse_error& error) {
    faults.push_back(
        fmt::format("{}:{}: not TOML: {}", file, error.source().begin.line, error.description()));
    return std::nullopt;
  }
}

TomlText::TomlText(toml::table table) : table_(std::make_unique<toml::table>(std::move(table))) {}
TomlText::TomlText(TomlText&&) noexcept = default;
TomlText& TomlText::operator=(TomlText&&) noexcept = default;
TomlText::~TomlText() = default;

}  // namespace bayward
