#include "server/figures/comparison.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>
#include <random>
#include <thread>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

absl::Status Check(const ComparisonOptions& options) {
  if (!(options.confidence > 0 && options.confidence < 1)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a confidence between 0 and 1, found ",
                                                   options.confidence, "; give 0.95 for 95 %"));
  }
  if (!(options.worse_factor > 0) || !std::isfinite(options.worse_factor)) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected a factor above 0 from which a machine is worse, found ", options.worse_factor));
  }
  if (options.draws != 0 && (options.draws < 100 || options.draws > 100'000)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between 100 and 100000 draws, or 0, found ", options.draws));
  }
  if (!options.prior) return absl::InvalidArgumentError("expected a prior, found none");
  return absl::OkStatus();
}

absl::Status Check(const ExposedCount& machine) {
  if (machine.count < 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected a count of at least 0, found ", machine.count));
  }
  if (!(machine.exposure > 0) || !std::isfinite(machine.exposure)) {
    return absl::InvalidArgumentError(absl::StrCat("expected an exposure above 0, found ", machine.exposure,
                                                   "; leave out machines without any"));
  }
  return absl::OkStatus();
}

int DrawsFor(std::size_t machines, int wanted) {
  if (wanted != 0) return wanted;
  constexpr std::size_t kRates = 100'000;
  return static_cast<int>(std::clamp<std::size_t>(kRates / machines, 250, 4000));
}

// Calls `body` with the halves of 0 … count − 1, on two threads where many machines make it worth one.
void InHalves(std::size_t count, std::size_t machines, const std::function<void(std::size_t, std::size_t)>& body) {
  constexpr std::size_t kMany = 200;
  if (machines < kMany) return body(0, count);
  std::thread helper(body, 0, count / 2);
  body(count / 2, count);
  helper.join();
}

// Draws are random numbers of their own, so that it does not matter which thread makes which (the finalizer of SplitMix64:
// Steele, G. L. et al. (2014), Fast splittable pseudorandom number generators, OOPSLA).
std::uint64_t SeedOf(std::uint64_t seed, std::size_t draw) {
  std::uint64_t z = seed + 0x9e3779b97f4a7c15U * (draw + 1);
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9U;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebU;
  return z ^ (z >> 31);
}

// One rank per machine and draw, [machine][draw].
class RankDraws {
 public:
  RankDraws(std::size_t machines, int draws)
      : draws_(static_cast<std::size_t>(draws)), ranks_(machines * draws_) {}

  // Nodes are drawn systematically (one in each of `draws` equal parts of the posterior), rates at random.
  void Fill(std::span<const GammaNode> nodes, std::span<const ExposedCount> machines, std::uint64_t seed) {
    std::mt19937_64 random(seed);
    const double offset = std::uniform_real_distribution<double>(0, 1)(random);
    InHalves(draws_, machines.size(), [&](std::size_t begin, std::size_t end) {
      FillPart(nodes, machines, seed, offset, begin, end);
    });
  }

  // Reorders the machine's draws.
  void Describe(std::size_t machine, double half_alpha, ComparedMachine& compared) {
    const std::span<int> ranks = std::span(ranks_).subspan(machine * draws_, draws_);
    compared.expected_rank = std::accumulate(ranks.begin(), ranks.end(), 0.0) / static_cast<double>(draws_);
    compared.rank_lower = Quantile(ranks, half_alpha);
    compared.rank_upper = Quantile(ranks, 1 - half_alpha);
  }

 private:
  void FillPart(std::span<const GammaNode> nodes, std::span<const ExposedCount> machines, std::uint64_t seed,
                double offset, std::size_t begin, std::size_t end) {
    std::vector<std::pair<double, std::uint32_t>> rates(machines.size());
    std::size_t at = 0;
    double weight_through = nodes[0].weight;
    for (std::size_t draw = begin; draw < end; ++draw) {
      std::mt19937_64 random(SeedOf(seed, draw));
      const double place = (static_cast<double>(draw) + offset) / static_cast<double>(draws_);
      while (weight_through < place && at + 1 < nodes.size()) weight_through += nodes[++at].weight;
      const GammaNode& node = nodes[at];
      for (std::size_t i = 0; i < machines.size(); ++i) {
        const double inverse_scale = node.inverse_scale + machines[i].exposure;
        std::gamma_distribution<double> rate(node.shape + machines[i].count, 1 / inverse_scale);
        rates[i] = {-rate(random), static_cast<std::uint32_t>(i)};
      }
      std::sort(rates.begin(), rates.end());
      for (std::size_t place_from_0 = 0; place_from_0 < rates.size(); ++place_from_0) {
        ranks_[rates[place_from_0].second * draws_ + draw] = static_cast<int>(place_from_0) + 1;
      }
    }
  }

  // The smallest rank that at least `share` of the draws do not exceed.
  static int Quantile(std::span<int> ranks, double share) {
    const double place = std::ceil(share * static_cast<double>(ranks.size())) - 1;
    const auto nth = ranks.begin() + static_cast<std::ptrdiff_t>(std::max(place, 0.0));
    std::nth_element(ranks.begin(), nth, ranks.end());
    return *nth;
  }

  std::size_t draws_;
  std::vector<int> ranks_;
};

ComparedMachine Compare(std::span<const GammaNode> nodes, const ExposedCount& machine,
                        const ComparisonOptions& options) {
  const double half_alpha = (1 - options.confidence) / 2;
  return {.raw = machine.count / machine.exposure,
          .mean = PosteriorMeanRate(nodes, machine),
          .lower = PosteriorRateQuantile(nodes, machine, half_alpha),
          .upper = PosteriorRateQuantile(nodes, machine, 1 - half_alpha),
          .probability_worse = ProbabilityAboveMean(nodes, machine, options.worse_factor)};
}

absl::Status Check(std::span<const double> probability_worse, const std::vector<bool>& listed_before,
                   double false_share_max) {
  if (!listed_before.empty() && listed_before.size() != probability_worse.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected the previous list to tell of ",
                                                   probability_worse.size(), " machines, found ",
                                                   listed_before.size()));
  }
  if (!(false_share_max >= 0 && false_share_max < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a greatest false share from 0 to below 1, found ", false_share_max));
  }
  for (const double p : probability_worse) {
    if (!(p >= 0 && p <= 1)) {
      return absl::InvalidArgumentError(absl::StrCat("expected a probability between 0 and 1, found ", p));
    }
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<std::optional<FairComparison>> CompareMachines(std::span<const ExposedCount> machines,
                                                              const ComparisonOptions& options) {
  if (const absl::Status status = Check(options); !status.ok()) return status;
  double count = 0;
  double exposure = 0;
  for (const ExposedCount& machine : machines) {
    if (const absl::Status status = Check(machine); !status.ok()) return status;
    count += machine.count;
    exposure += machine.exposure;
  }
  if (machines.size() < 2 || count == 0) return std::optional<FairComparison>();
  const absl::StatusOr<GammaPoissonLikelihood> likelihood = GammaPoissonLikelihood::Make(machines);
  if (!likelihood.ok()) return likelihood.status();
  const absl::StatusOr<std::vector<GammaNode>> nodes = IntegrateGammaPoisson(*likelihood, options.prior);
  if (!nodes.ok()) return nodes.status();

  const double half_alpha = (1 - options.confidence) / 2;
  FairComparison comparison;
  comparison.kind_rate = PosteriorMeanQuantile(*nodes, 0.5);
  comparison.kind_rate_lower = PosteriorMeanQuantile(*nodes, half_alpha);
  comparison.kind_rate_upper = PosteriorMeanQuantile(*nodes, 1 - half_alpha);
  comparison.pooled_rate = count / exposure;
  RankDraws ranks(machines.size(), DrawsFor(machines.size(), options.draws));
  ranks.Fill(*nodes, machines, options.seed);
  comparison.machines.resize(machines.size());
  InHalves(machines.size(), machines.size(), [&](std::size_t begin, std::size_t end) {
    for (std::size_t i = begin; i < end; ++i) {
      comparison.machines[i] = Compare(*nodes, machines[i], options);
      ranks.Describe(i, half_alpha, comparison.machines[i]);
    }
  });
  return comparison;
}

absl::StatusOr<WorseList> ListWorse(std::span<const double> probability_worse,
                                    const std::vector<bool>& listed_before, double false_share_max) {
  if (const absl::Status status = Check(probability_worse, listed_before, false_share_max); !status.ok()) {
    return status;
  }
  std::vector<std::size_t> order(probability_worse.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return probability_worse[a] > probability_worse[b]; });
  WorseList list;
  double false_entering = 0;
  double entering = 0;
  bool may_enter = true;
  double false_listed = 0;
  for (const std::size_t i : order) {
    const double false_here = 1 - probability_worse[i];
    // The mean grows along the order: the first that is too much ends it.
    may_enter = may_enter && false_entering + false_here <= false_share_max * (entering + 1);
    if (may_enter) {
      false_entering += false_here;
      entering += 1;
    }
    const bool before = !listed_before.empty() && listed_before[i];
    if (!may_enter && !(before && probability_worse[i] >= kProbabilityToStay)) {
      if (before) list.left.push_back(i);
      continue;
    }
    list.listed.push_back(i);
    if (!before) list.entered.push_back(i);
    false_listed += false_here;
  }
  if (!list.listed.empty()) {
    list.expected_false_share = false_listed / static_cast<double>(list.listed.size());
  }
  return list;
}

}  // namespace bayward
