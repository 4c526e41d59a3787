// How Boost.Math is used here: errors come back as values, not a number or infinite, so that no exception leaves a
// function of ours. Types only.
#pragma once

#include "boost/math/policies/policy.hpp"

namespace bayward {

using Quiet = boost::math::policies::policy<
    boost::math::policies::domain_error<boost::math::policies::ignore_error>,
    boost::math::policies::pole_error<boost::math::policies::ignore_error>,
    boost::math::policies::overflow_error<boost::math::policies::ignore_error>,
    boost::math::policies::evaluation_error<boost::math::policies::ignore_error>,
    boost::math::policies::promote_double<false>>;

}  // namespace bayward
